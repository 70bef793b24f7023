/* Timers 0, 1 and 2 in normal mode: free-running prescalers, counters worked out when somebody looks, flags, the
 * external clock of timer 0, the TEMP register of timer 1 and its capture register (ATmega328P datasheet, "8-bit
 * Timer/Counter0", "16-bit Timer/Counter1", "Timer/Counter0 and Timer/Counter1 Prescalers"). The emulator's own start
 * their prescalers with the timer, know no TEMP, no noise canceller and no pulses on T0, so they are replaced. */
#include <math.h>

#include "bench.h"

enum { CS = 7, WGM_AND_COM = 0xF3, WGM1_HIGH = 0x18, FALLING_T0 = 6, RISING_T0 = 7 };
enum { TSM = 0x80, PSRASY = 2, PSRSYNC = 1 };

static avr_cycle_count_t timer_event(avr_t *avr, avr_cycle_count_t when, void *param);

/* Clock cycles to a step; 0 for none, 1 for the external clock too. */
static uint32_t divider(const struct timer *t)
{
    static const uint16_t shared[8] = {0, 1, 8, 64, 256, 1024, 0, 0};
    static const uint16_t own2[8] = {0, 1, 8, 32, 64, 128, 256, 1024};
    return t->index == 2u ? own2[t->select] : shared[t->select];
}

static bool external(const struct timer *t)
{
    return t->index == 0u && t->select >= (uint32_t)FALLING_T0;
}

static uint64_t origin(const struct timer *t)
{
    return t->bench->timers.origin[t->index == 2u ? 1 : 0];
}

/* How often the selected clock has stepped up to `now`. A pulse counts 2.5 to 3.5 cycles after its edge. */
static uint64_t steps_at(const struct timer *t, uint64_t now)
{
    const struct signal *pulses = &t->bench->world.pulses;
    if (external(t)) {
        double seen = (double)now - 2.5;
        return t->select == (uint32_t)RISING_T0 ? signal_rises(pulses, seen) : signal_falls(pulses, seen);
    }
    uint32_t d = divider(t);
    return d == 0 || now <= origin(t) ? 0u : (now - origin(t)) / d;
}

/* The cycle at which the clock will have stepped `steps` times; 0 for never. */
static uint64_t step_cycle(const struct timer *t, uint64_t steps)
{
    const struct signal *pulses = &t->bench->world.pulses;
    if (external(t)) {
        bool rising = t->select == (uint32_t)RISING_T0;
        double edge = rising ? signal_rise_at(pulses, steps - 1u) : signal_fall_at(pulses, steps - 1u);
        return edge == (double)INFINITY ? 0u : (uint64_t)ceil(edge - 0.5) + 3u;
    }
    uint32_t d = divider(t);
    return d == 0 || origin(t) == UINT64_MAX ? 0u : origin(t) + steps * d;
}

/* Steps from the present count to each flag: past the top, or one past a compare value. */
static uint32_t distance(const struct timer *t, uint32_t flag)
{
    if (flag == (uint32_t)FLAG_TOV) {
        return t->size - t->count;
    }
    return ((t->compare[flag == (uint32_t)FLAG_OCFA ? 0 : 1] - t->count) & (t->size - 1u)) + 1u;
}

static void catch_up(struct timer *t, uint64_t now)
{
    uint64_t steps = steps_at(t, now);
    if (steps <= t->steps) {
        return;
    }
    uint64_t passed = steps - t->steps;
    t->steps = steps;
    uint32_t last = t->index == 0u ? FLAG_TOV : FLAG_OCFB;   /* timer 0's compare registers are only kept */
    for (uint32_t flag = FLAG_TOV; flag <= last; flag <<= 1) {
        t->flags |= passed >= distance(t, flag) ? flag : 0u;
    }
    t->count = (uint32_t)((t->count + passed) & (t->size - 1u));
}

/* Makes requests stand as the flags do, and asks to be called when the next flag that may interrupt comes. */
static void follow(struct timer *t)
{
    avr_t *avr = t->bench->avr;
    static const uint32_t flags[4] = {FLAG_TOV, FLAG_OCFA, FLAG_OCFB, FLAG_ICF};
    uint64_t soonest = 0;
    for (uint32_t i = 0; i < 4u; i++) {
        if (t->vectors[i] == NULL) {
            continue;
        }
        vector_follow(avr, t->vectors[i], (t->flags & flags[i]) != 0);
        if (i < 3u && !(t->flags & flags[i]) && (avr->data[t->timsk] & flags[i])) {
            uint64_t at = step_cycle(t, t->steps + distance(t, flags[i]));
            soonest = at != 0 && (soonest == 0 || at < soonest) ? at : soonest;
        }
    }
    if (soonest != 0) {
        bench_at(t->bench, soonest, timer_event, t);
    } else {
        avr_cycle_timer_cancel(avr, timer_event, t);
    }
}

static avr_cycle_count_t timer_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct timer *t = param;
    (void)avr;
    catch_up(t, when);
    follow(t);
    return 0;
}

/* The clock select or the prescaler is changed by `change` between two looks. */
static void reclock(struct timer *t, uint64_t now, uint32_t select)
{
    catch_up(t, now);
    t->select = select;
    t->steps = steps_at(t, now);
    follow(t);
}

/* ---- registers of all three ---- */

static uint8_t read_tifr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct timer *t = param;
    catch_up(t, access_cycle(avr));
    avr->data[addr] = (uint8_t)t->flags;
    return (uint8_t)t->flags;
}

static void write_tifr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct timer *t = param;
    catch_up(t, access_cycle(avr));
    t->flags &= ~(uint32_t)written_bits(avr, v);
    avr->data[addr] = (uint8_t)t->flags;
    follow(t);
}

static void write_timsk(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct timer *t = param;
    avr->data[addr] = v;
    if (t->index == 0u && (v & (FLAG_OCFA | FLAG_OCFB))) {
        bench_refuse(t->bench, "TIMSK0: timer 0's compare interrupts are not modelled");
    }
    catch_up(t, access_cycle(avr));
    follow(t);
}

static void write_tccra(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct timer *t = param;
    avr->data[addr] = v;
    if (v & WGM_AND_COM) {
        bench_refuse(t->bench, "TCCRnA: timers are modelled in normal mode without outputs only");
    }
}

static void write_tccrb(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct timer *t = param;
    bench_t *b = t->bench;
    avr->data[addr] = v;
    if ((t->index == 1u && (v & WGM1_HIGH)) || (t->index != 1u && (v & 8u))) {
        bench_refuse(b, "TCCRnB: timers are modelled in normal mode only");
    }
    reclock(t, access_cycle(avr) + 1u, v & (uint32_t)CS);
    if (t->index == 1u) {
        uint8_t before = b->timers.control1;
        b->timers.control1 = v;
        edges_select_changed(b, before, v);
    }
}

static uint8_t read_tcnt8(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct timer *t = param;
    catch_up(t, access_cycle(avr));
    avr->data[addr] = (uint8_t)t->count;
    return (uint8_t)t->count;
}

static void set_count(struct timer *t, uint32_t count)
{
    uint64_t now = access_cycle(t->bench->avr) + 1u;
    catch_up(t, now);
    t->count = count;
    follow(t);
}

static void write_tcnt8(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    avr->data[addr] = v;
    set_count(param, v);
}

static void set_compare(struct timer *t, uint32_t which, uint32_t value)
{
    catch_up(t, access_cycle(t->bench->avr));
    t->compare[which] = value;
    follow(t);
}

static void write_ocr2(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    avr->data[addr] = v;
    set_compare(param, addr == REG_OCR2A ? 0 : 1, v);
}

static void write_assr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct timer *t = param;
    avr->data[addr] = v;
    if (v & 0x60u) {
        bench_refuse(t->bench, "ASSR: timer 2's asynchronous clock is not modelled");
    }
}

static void write_gtccr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    uint64_t now = access_cycle(avr) + 1u;
    for (uint32_t i = 0; i < TIMERS; i++) {
        catch_up(&b->timers.of[i], now);
    }
    for (uint32_t p = 0; p < 2u; p++) {
        if (v & (p == 0 ? PSRSYNC : PSRASY)) {
            b->timers.origin[p] = (v & TSM) ? UINT64_MAX : now;   /* held in reset while TSM is set */
        } else if (b->timers.origin[p] == UINT64_MAX) {
            b->timers.origin[p] = now;
        }
    }
    for (uint32_t i = 0; i < TIMERS; i++) {
        b->timers.of[i].steps = steps_at(&b->timers.of[i], now);
        follow(&b->timers.of[i]);
    }
    avr->data[addr] = (v & TSM) ? v : 0u;
}

/* ---- 16-bit registers of timer 1, all through the one TEMP ---- */

static uint8_t read_low(avr_t *avr, avr_io_addr_t addr, void *param)
{
    bench_t *b = param;
    struct timer *t = &b->timers.of[1];
    catch_up(t, access_cycle(avr));
    uint32_t value = addr == REG_TCNT1L ? t->count : b->timers.icr;
    b->timers.temp = (uint8_t)(value >> 8);
    avr->data[addr] = (uint8_t)value;
    return (uint8_t)value;
}

static uint8_t read_high(avr_t *avr, avr_io_addr_t addr, void *param)
{
    avr->data[addr] = ((bench_t *)param)->timers.temp;
    return avr->data[addr];
}

static void write_high(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    (void)avr;
    (void)addr;
    ((bench_t *)param)->timers.temp = v;
}

static void write_low(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct timer *t = &b->timers.of[1];
    uint32_t value = ((uint32_t)b->timers.temp << 8) | v;
    avr->data[addr] = v;
    if (addr == REG_TCNT1L) {
        set_count(t, value);
    } else if (addr == REG_ICR1L) {
        return;   /* it can be written only in the modes that use it as the top */
    } else {
        avr->data[addr + 1u] = (uint8_t)(value >> 8);
        set_compare(t, addr == REG_OCR1AL ? 0 : 1, value);
    }
}

/* ---- for the others ---- */

/* An edge has come through to the capture unit at `cycle`. A flag that still stands loses its value, as on silicon. */
void timers_capture(bench_t *b, uint64_t cycle, uint32_t kind)
{
    struct timer *t = &b->timers.of[1];
    catch_up(t, cycle);
    b->timers.icr = (uint16_t)t->count;
    t->flags |= FLAG_ICF;
    log_event(&b->edges.captures, cycle, kind, b->timers.icr);
    follow(t);
}

/* Another schedule for T0: counting goes on from the present count. */
void timers_pulses_changed(bench_t *b)
{
    struct timer *t = &b->timers.of[0];
    t->steps = steps_at(t, b->avr->cycle);
    follow(t);
}

void timers_entered(bench_t *b, uint8_t vector)
{
    static const uint32_t flags[4] = {FLAG_TOV, FLAG_OCFA, FLAG_OCFB, FLAG_ICF};
    for (uint32_t i = 0; i < TIMERS; i++) {
        struct timer *t = &b->timers.of[i];
        for (uint32_t k = 0; k < 4u; k++) {
            if (t->vectors[k] != NULL && t->vectors[k]->vector == vector) {
                t->flags &= ~flags[k];
                follow(t);
            }
        }
    }
}

/* Prescalers begin with the end of a reset; until then the clock of the timers stands. */
void timers_reset(bench_t *b)
{
    b->timers.origin[0] = b->timers.origin[1] = b->hold_until;
    b->timers.temp = 0;
    b->timers.control1 = 0;
    b->timers.icr = 0;
    for (uint32_t i = 0; i < TIMERS; i++) {
        struct timer *t = &b->timers.of[i];
        t->select = t->count = t->flags = 0;
        t->compare[0] = t->compare[1] = 0;
        t->steps = 0;
        follow(t);
    }
}

static void install_one(bench_t *b, uint32_t index, uint32_t size, avr_io_addr_t tifr, const uint8_t vectors[4])
{
    struct timer *t = &b->timers.of[index];
    t->bench = b;
    t->index = index;
    t->size = size;
    t->tifr = tifr;
    t->timsk = (avr_io_addr_t)(REG_TIMSK0 + index);
    for (uint32_t k = 0; k < 4u; k++) {
        t->vectors[k] = vectors[k] ? vector_find(b->avr, vectors[k]) : NULL;
    }
    io_own(b, tifr, read_tifr, write_tifr, t);
    io_own(b, t->timsk, NULL, write_timsk, t);
}

void timers_install(bench_t *b)
{
    /* Overflow, compare A, compare B, capture (ATmega328P datasheet, "Interrupt Vectors"; from memory). */
    static const uint8_t vectors[TIMERS][4] = {{16, 0, 0, 0}, {13, 11, 12, 10}, {9, 7, 8, 0}};
    struct timer *t = b->timers.of;
    install_one(b, 0, 0x100, REG_TIFR0, vectors[0]);
    install_one(b, 1, 0x10000, REG_TIFR1, vectors[1]);
    install_one(b, 2, 0x100, REG_TIFR2, vectors[2]);
    io_own(b, REG_TCCR0A, NULL, write_tccra, &t[0]);
    io_own(b, REG_TCCR0B, NULL, write_tccrb, &t[0]);
    io_own(b, REG_TCNT0, read_tcnt8, write_tcnt8, &t[0]);
    io_own(b, REG_OCR0A, NULL, NULL, NULL);
    io_own(b, REG_OCR0B, NULL, NULL, NULL);
    io_own(b, REG_TCCR1A, NULL, write_tccra, &t[1]);
    io_own(b, REG_TCCR1B, NULL, write_tccrb, &t[1]);
    for (avr_io_addr_t low = REG_TCNT1L; low <= REG_OCR1BL; low = (avr_io_addr_t)(low + 2u)) {
        bool compare = low >= REG_OCR1AL;   /* read straight, without TEMP */
        io_own(b, low, compare ? NULL : read_low, write_low, b);
        io_own(b, (avr_io_addr_t)(low + 1u), compare ? NULL : read_high, write_high, b);
    }
    io_own(b, REG_TCCR2A, NULL, write_tccra, &t[2]);
    io_own(b, REG_TCCR2B, NULL, write_tccrb, &t[2]);
    io_own(b, REG_TCNT2, read_tcnt8, write_tcnt8, &t[2]);
    io_own(b, REG_OCR2A, NULL, write_ocr2, &t[2]);
    io_own(b, REG_OCR2B, NULL, write_ocr2, &t[2]);
    io_own(b, REG_ASSR, NULL, write_assr, &t[2]);
    io_own(b, REG_GTCCR, NULL, write_gtccr, b);
}
