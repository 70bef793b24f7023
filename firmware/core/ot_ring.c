#include "ot_ring.h"

#include "ot_port.h"

ot_ring_state ot_ring;

void ot_ring_start(uint8_t *memory, uint16_t size, uint16_t gap_ticks)
{
    uint8_t state = ot_port_lock();
    ot_ring.begin = memory;
    ot_ring.write = memory;
    ot_ring.end = memory + size;
    ot_ring.size = size;
    ot_ring.gap_ticks = gap_ticks;
    ot_ring.in = 0;
    ot_ring.out = 0;
    ot_ring.cut = OT_RAW_MAX;
    ot_ring.quiet = OT_QUIET_GAP + 1u;
    ot_ring.dropping = false;
    ot_ring.mark_in = 0;
    ot_ring.mark_out = 0;
    ot_ring.loss_in = 0;
    ot_ring.loss_out = 0;
    ot_ring.overruns = 0;
    ot_ring.framings = 0;
    ot_port_unlock(state);
}

uint16_t ot_ring_fill(void)
{
    uint8_t state = ot_port_lock();
    uint16_t fill = (uint16_t)(ot_ring.in - ot_ring.out);
    ot_port_unlock(state);
    return fill;
}

/* Counted back from the interrupt's place, so that no second pointer has to be kept in step. */
uint8_t *ot_ring_at(uint16_t position)
{
    uint8_t state = ot_port_lock();
    uint16_t back = (uint16_t)(ot_ring.in - position);
    uint16_t at = (uint16_t)(ot_ring.write - ot_ring.begin);
    ot_port_unlock(state);
    return &ot_ring.begin[at >= back ? (uint16_t)(at - back) : (uint16_t)(at + ot_ring.size - back)];
}

void ot_ring_release(uint16_t position, uint8_t mark_out, uint8_t loss_out)
{
    uint8_t state = ot_port_lock();
    ot_ring.out = position;
    ot_ring.mark_out = mark_out;
    ot_ring.loss_out = loss_out;
    ot_port_unlock(state);
}

void ot_ring_close_loss(void)
{
    uint8_t state = ot_port_lock();
    if (ot_ring.dropping && (uint8_t)(ot_ring.loss_in + 1u - ot_ring.loss_out) < OT_LOSSES) {
        ot_ring.dropping = false;
        ot_ring.loss_in++;
    }
    ot_port_unlock(state);
}

bool ot_ring_take_faults(uint16_t *overruns, uint16_t *framings, uint32_t *tick)
{
    uint8_t state = ot_port_lock();
    *overruns = ot_ring.overruns;
    *framings = ot_ring.framings;
    *tick = ot_ring.fault_tick;
    ot_ring.overruns = 0;
    ot_ring.framings = 0;
    ot_port_unlock(state);
    return *overruns != 0u || *framings != 0u;
}
