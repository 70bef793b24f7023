/* Edges on pins: timer 1's capture unit with its noise canceller on PB0, and the pin change interrupts of PB0 and PD4
 * (ATmega328P datasheet, "Input Capture Unit", "Pin Change Interrupt Timing"). An edge comes through 2.5 to 3.5
 * cycles after it was applied, four later with the noise canceller, which wants four equal samples. */
#include <math.h>

#include "bench.h"

enum { ICNC = 0x80, ICES = 0x40, CANCELLER = 4 };
enum { KIND_FALLING, KIND_RISING, KIND_FALSE };

static const uint8_t change_pin[2] = {0, 4};      /* PB0, PD4 */
static const uint8_t change_flag[2] = {1, 4};     /* PCIF0, PCIF2 */

/* The clock edge whose sample is the first to show an edge, counted in cycles. */
static double sample_of(double edge)
{
    return ceil(edge - 0.5);
}

static uint64_t ready(double edge)
{
    return (uint64_t)sample_of(edge) + 3u;
}

/* ---- capture ---- */

static void follow_capture(bench_t *b);

static avr_cycle_count_t capture_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct pin_edges *p = &b->edges.capture;
    bool rising = (b->timers.control1 & ICES) != 0;
    (void)avr;
    p->level = p->next_level;
    if (p->level == rising) {
        timers_capture(b, when, rising ? KIND_RISING : KIND_FALLING);
    }
    follow_capture(b);
    return 0;
}

/* Asks to be called when the next edge has come through; edges that the noise canceller swallows are passed over. */
static void follow_capture(bench_t *b)
{
    struct pin_edges *p = &b->edges.capture;
    const struct signal *s = &b->world.event;
    bool cancelling = (b->timers.control1 & ICNC) != 0;
    for (;;) {
        double edge = signal_next_edge(s, p->from, &p->next_level);
        if (edge == (double)INFINITY) {
            return;
        }
        p->from = edge;
        bool level;
        double back = signal_next_edge(s, edge, &level);
        if (cancelling && (p->next_level == p->level || sample_of(back) - sample_of(edge) < (double)CANCELLER)) {
            continue;
        }
        bench_at(b, ready(edge) + (cancelling ? CANCELLER : 0u), capture_event, b);
        return;
    }
}

static void capture_restart(bench_t *b, double from)
{
    struct pin_edges *p = &b->edges.capture;
    avr_cycle_timer_cancel(b->avr, capture_event, b);
    p->from = from;
    p->level = signal_level(&b->world.event, from);
    follow_capture(b);
}

/* TCCR1B was written. The detector sees the level turned over by ICES1, so that changing it can look like an edge:
 * "after a change of the edge, ICF1 must be cleared by software" (datasheet, "Using the Input Capture Unit"). */
void edges_select_changed(bench_t *b, uint8_t before, uint8_t now)
{
    uint64_t cycle = b->avr->cycle;
    if ((before ^ now) & ICNC) {
        capture_restart(b, (double)cycle - 2.5);
    }
    bool rising = (now & ICES) != 0;
    if (((before ^ now) & ICES) && b->edges.false_edges && b->edges.capture.level == rising) {
        timers_capture(b, cycle, KIND_FALSE);
    }
}

/* ---- pin changes ---- */

static avr_cycle_count_t change_event(avr_t *avr, avr_cycle_count_t when, void *param);

static const struct signal *change_signal(const bench_t *b, uint32_t i)
{
    return i == 0 ? &b->world.event : &b->world.pulses;
}

static bool change_wanted(const bench_t *b, uint32_t i)
{
    return (b->avr->data[i == 0 ? REG_PCMSK0 : REG_PCMSK2] >> change_pin[i]) & 1u;
}

/* Edges matter only while the pin is in its mask and its flag is not up yet. */
static void change_follow(bench_t *b, uint32_t i)
{
    struct edges *e = &b->edges;
    struct pin_edges *p = &e->change[i];
    vector_follow(b->avr, e->vectors[i], (e->change_flags & change_flag[i]) != 0);
    avr_cycle_timer_cancel(b->avr, change_event, p);
    if (!change_wanted(b, i) || (e->change_flags & change_flag[i])) {
        return;
    }
    double edge = signal_next_edge(change_signal(b, i), p->from, &p->next_level);
    if (edge != (double)INFINITY) {
        bench_at(b, ready(edge), change_event, p);
    }
}

static avr_cycle_count_t change_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = avr->custom.data;
    uint32_t i = param == &b->edges.change[0] ? 0u : 1u;
    (void)when;
    b->edges.change_flags |= change_flag[i];
    change_follow(b, i);
    return 0;
}

/* From here on edges count that are not through yet. */
static void change_restart(bench_t *b, uint32_t i, uint64_t now)
{
    b->edges.change[i].from = (double)now - 2.5;
    change_follow(b, i);
}

static uint8_t read_pcifr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    avr->data[addr] = (uint8_t)((bench_t *)param)->edges.change_flags;
    return avr->data[addr];
}

static void write_pcifr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    uint32_t cleared = b->edges.change_flags & written_bits(avr, v);
    b->edges.change_flags &= ~cleared;
    avr->data[addr] = (uint8_t)b->edges.change_flags;
    for (uint32_t i = 0; i < 2u; i++) {
        if (cleared & change_flag[i]) {
            change_restart(b, i, access_cycle(avr));
        }
    }
}

static void write_pcicr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    avr->data[addr] = v;
    change_follow(b, 0);
    change_follow(b, 1);
}

/* The mask stands before the edge detector, so that a high pin's coming into it may raise the flag. */
static void write_pcmsk(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    uint32_t before = avr->data[addr];
    uint32_t modelled = addr == REG_PCMSK0 ? 1u : addr == REG_PCMSK2 ? 16u : 0u;
    avr->data[addr] = v;
    if (v & ~modelled) {
        bench_refuse(b, "PCMSKn: only the pin changes of PB0 and PD4 are modelled");
        return;
    }
    uint32_t i = addr == REG_PCMSK0 ? 0u : 1u;
    uint64_t now = access_cycle(avr);
    if ((v & ~before) && b->edges.false_edges && signal_level(change_signal(b, i), (double)now)) {
        b->edges.change_flags |= change_flag[i];
    }
    change_restart(b, i, now);
}

/* ---- for the others ---- */

void edges_entered(bench_t *b, uint8_t vector)
{
    for (uint32_t i = 0; i < 2u; i++) {
        if (b->edges.vectors[i]->vector == vector) {
            b->edges.change_flags &= ~(uint32_t)change_flag[i];
            change_restart(b, i, b->avr->cycle);
        }
    }
}

void edges_world_changed(bench_t *b)
{
    uint64_t now = b->avr->cycle > b->hold_until ? b->avr->cycle : b->hold_until;
    capture_restart(b, (double)now);
    change_restart(b, 0, now);
    change_restart(b, 1, now);
}

void edges_reset(bench_t *b)
{
    b->edges.change_flags = 0;
    edges_world_changed(b);
}

void edges_install(bench_t *b)
{
    b->edges.vectors[0] = vector_find(b->avr, 3);
    b->edges.vectors[1] = vector_find(b->avr, 5);
    io_own(b, REG_PCIFR, read_pcifr, write_pcifr, b);
    io_own(b, REG_PCICR, NULL, write_pcicr, b);
    io_own(b, REG_PCMSK0, NULL, write_pcmsk, b);
    io_own(b, REG_PCMSK1, NULL, write_pcmsk, b);
    io_own(b, REG_PCMSK2, NULL, write_pcmsk, b);
}

const bench_event_t *bench_captures(bench_t *b, uint64_t *count)
{
    *count = b->edges.captures.count;
    return (const bench_event_t *)(const void *)b->edges.captures.data;
}

void bench_world_false_edges(bench_t *b, uint32_t on)
{
    b->edges.false_edges = on != 0;
}
