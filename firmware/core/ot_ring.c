#include "ot_ring.h"

#include "ot_port.h"

ot_ring_state ot_ring;

static uint16_t accepted(void) { return (uint16_t)(ot_ring.stop - OT_RING_QUICK); } /* locked */

/* Bytes that wait in the ring or were counted as lost there. Locked. */
static uint32_t unwritten(const ot_ring_state *r)
{
    uint32_t sum = (uint16_t)(accepted() - r->out);
    for (uint8_t i = r->loss_out; i != (uint8_t)(r->loss_in + (r->dropping ? 1u : 0u)); i++) {
        sum += r->losses[i & (OT_LOSSES - 1u)].count;
    }
    return sum;
}

uint32_t ot_ring_start(uint8_t *memory, uint16_t size, uint16_t gap_ticks)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    uint32_t dropped = unwritten(r);
    r->begin = memory;
    r->stretch = memory;
    r->stop = 0;
    OT_RING_QUICK = 0;
    r->end = memory + size;
    r->gap_ticks = gap_ticks;
    r->gap_low = gap_ticks > 0xffu ? 0xffu : (uint8_t)gap_ticks;
    r->out = 0;
    r->cut = OT_RAW_MAX;
    r->dropping = false;
    r->mark_in = 0;
    r->mark_out = 0;
    r->loss_in = 0;
    r->loss_out = 0;
    r->overruns = 0;
    r->framings = 0;
    ot_port_unlock(state);
    return dropped;
}

uint16_t ot_ring_in(void)
{
    uint8_t state = ot_port_lock();
    uint16_t in = accepted();
    ot_port_unlock(state);
    return in;
}

uint16_t ot_ring_fill(void) { return (uint16_t)(ot_ring_in() - ot_ring.out); }

/* Counted back from the stretch's end, so that no second pointer has to be kept in step. */
uint8_t *ot_ring_at(uint16_t position)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    uint16_t back = (uint16_t)(r->stop - position);
    uint16_t at = (uint16_t)(r->stretch - r->begin);
    ot_port_unlock(state);
    return &r->begin[at >= back ? (uint16_t)(at - back) : (uint16_t)(at + (uint16_t)(r->end - r->begin) - back)];
}

void ot_ring_aim_cut(uint16_t cut, uint16_t due)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    uint16_t in = accepted();
    if ((uint16_t)(cut - in) <= ot_ring_size() && r->cut != cut && r->cut != due) {
        /* The stretch may reach past the new cut: it ends here. */
        r->stretch -= OT_RING_QUICK;
        r->stop = in;
        OT_RING_QUICK = 0;
        r->cut = cut;
    }
    ot_port_unlock(state);
}

void ot_ring_release(uint16_t position, uint8_t mark_out, uint8_t loss_out)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    r->out = position;
    r->mark_out = mark_out;
    r->loss_out = loss_out;
    ot_port_unlock(state);
}

void ot_ring_release_if_short(uint16_t position, uint16_t least)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    if ((uint16_t)(ot_ring_size() - (uint16_t)(accepted() - r->out)) <= least) {
        r->out = position;
    }
    ot_port_unlock(state);
}

void ot_ring_close_loss(void)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    if (r->dropping && (uint8_t)(r->loss_in + 1u - r->loss_out) < OT_LOSSES) {
        r->dropping = false;
        r->loss_in++;
    }
    ot_port_unlock(state);
}

bool ot_ring_take_faults(uint16_t *overruns, uint16_t *framings, uint32_t *tick)
{
    ot_ring_state *r = ot_over_pointer(&ot_ring);
    uint8_t state = ot_port_lock();
    *overruns = r->overruns;
    *framings = r->framings;
    *tick = r->fault_tick;
    r->overruns = 0;
    r->framings = 0;
    ot_port_unlock(state);
    return *overruns != 0u || *framings != 0u;
}
