/* A pressure-temperature part on the I2C bus, a BMP280 as the firmware can tell: identification, constants, forced
 * conversions that take their time, 20-bit results that hold still while they are read in a burst (datasheet
 * BST-BMP280-DS001, "Global memory map", "Measurement flow", "Data register shadowing", "I2C interface"). It can be
 * absent for a while, stretch the clock, or hold SDA low. Normal mode, filter and SPI are not modelled. */
#include <stdlib.h>
#include <string.h>

#include "bench.h"

enum { REG_CONSTANTS = 0x88, REG_ID = 0xD0, REG_SOFT_RESET = 0xE0, REG_STATUS = 0xF3, REG_CTRL_MEAS = 0xF4,
       REG_CONFIG = 0xF5, REG_DATA = 0xF7, REG_DATA_END = 0xFC };
enum { RESET_WORD = 0xB6, MEASURING = 8, SKIPPED = 0x80000, RAW_MAX = 0xFFFFF };

static avr_cycle_count_t conversion_event(avr_t *avr, avr_cycle_count_t when, void *param);

/* SDA as the part's bus side and its stuck fault want it, together. */
static void pull_sda(bench_t *b, bool low)
{
    b->bus.part.sda_low = low;
    b->bus.sda.device_low = low || b->bus.stuck;
    bus_device_changed(b);
}

/* ---- power and faults ---- */

static const struct span *within(const struct span *spans, uint64_t count, uint64_t now)
{
    for (uint64_t i = 0; i < count; i++) {
        if (spans[i].from <= now && now < spans[i].to) {
            return &spans[i];
        }
    }
    return NULL;
}

bool part_present(bench_t *b)
{
    const struct part *p = &b->bus.part;
    return p->fitted && within(p->present, p->present_count, b->avr->cycle) != NULL;
}

static void put_result(struct part *p, uint32_t at, uint32_t raw)
{
    p->reg[at] = (uint8_t)(raw >> 12);
    p->reg[at + 1u] = (uint8_t)(raw >> 4);
    p->reg[at + 2u] = (uint8_t)(raw << 4);
}

static void part_reset_registers(bench_t *b)
{
    struct part *p = &b->bus.part;
    avr_cycle_timer_cancel(b->avr, conversion_event, b);
    memset(p->reg, 0, sizeof p->reg);
    memcpy(p->reg + REG_CONSTANTS, p->cfg.constants, sizeof p->cfg.constants);
    p->reg[REG_ID] = (uint8_t)p->cfg.chip_id;
    put_result(p, REG_DATA, SKIPPED);
    put_result(p, REG_DATA + 3, SKIPPED);
    p->converting = p->fresh = p->burst = false;
    p->powered_since = b->avr->cycle;
}

/* Power comes to the part or leaves it; either way it lets go of the bus. */
void part_power(bench_t *b, bool on)
{
    struct part *p = &b->bus.part;
    p->was_present = on;
    p->state = PART_IDLE;
    part_reset_registers(b);
    b->bus.scl.device_low = false;
    pull_sda(b, false);
}

/* Looks where time has brought the part, and asks to be called at the next change. */
static avr_cycle_count_t span_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct bus *bus = &b->bus;
    struct part *p = &bus->part;
    uint64_t now = avr->cycle;
    uint64_t next = UINT64_MAX;
    (void)when;
    if (part_present(b) != p->was_present) {
        part_power(b, !p->was_present);
    }
    const struct span *stuck = within(p->stuck, p->stuck_count, now);
    if ((stuck != NULL) != bus->stuck) {
        bus->stuck = stuck != NULL;
        bus->stuck_clocks = 0;
        pull_sda(b, p->sda_low);
    }
    const struct span *lists[2] = {p->present, p->stuck};
    const uint64_t counts[2] = {p->present_count, p->stuck_count};
    for (uint32_t k = 0; k < 2u; k++) {
        for (uint64_t i = 0; i < counts[k]; i++) {
            next = lists[k][i].from > now && lists[k][i].from < next ? lists[k][i].from : next;
            next = lists[k][i].to > now && lists[k][i].to < next ? lists[k][i].to : next;
        }
    }
    if (next != UINT64_MAX) {
        bench_at(b, next, span_event, b);
    }
    return 0;
}

/* ---- conversions ---- */

static uint32_t oversampled(uint32_t setting)
{
    return setting == 0 ? 0u : setting > 4u ? 16u : 1u << (setting - 1u);
}

/* A reading at its resolution: 16 bits without oversampling, one more for each doubling. */
static uint32_t reading(struct curve *c, uint32_t setting, uint64_t now)
{
    if (setting == 0) {
        return SKIPPED;
    }
    double value = curve_value(c, (double)now) + 0.5;
    uint32_t raw = value < 0.0 ? 0u : value > (double)RAW_MAX ? (uint32_t)RAW_MAX : (uint32_t)value;
    uint32_t bits = setting > 4u ? 20u : 15u + setting;
    return raw & ~((1u << (20u - bits)) - 1u);
}

/* Takes the reading at once; it is told when the conversion is over. Longest times: 1.25 ms + 2.3 ms for each
 * temperature sample + 0.575 ms and 2.3 ms for each pressure sample (datasheet, "Measurement time"; from memory). */
static void convert(bench_t *b)
{
    struct part *p = &b->bus.part;
    uint64_t now = b->avr->cycle;
    uint32_t control = p->reg[REG_CTRL_MEAS];
    uint32_t t = oversampled(control >> 5);
    uint32_t pr = oversampled((control >> 2) & 7u);
    uint64_t us = 1250u + 2300u * t + (pr ? 575u + 2300u * pr : 0u);
    p->next_temperature = reading(&p->temperature, control >> 5, now);
    p->next_pressure = reading(&p->pressure, (control >> 2) & 7u, now);
    p->converting = true;
    p->reg[REG_STATUS] |= MEASURING;
    b->bus.stats.conversions++;
    log_event(&b->bus.conversions, now, p->next_temperature, p->next_pressure);
    bench_at(b, now + us * p->cfg.conversion_percent / 100u * b->cfg.frequency_hz / 1000000u, conversion_event, b);
}

static void publish(struct part *p)
{
    put_result(p, REG_DATA, p->next_pressure);
    put_result(p, REG_DATA + 3, p->next_temperature);
    p->fresh = false;
}

static avr_cycle_count_t conversion_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct part *p = &((bench_t *)param)->bus.part;
    (void)avr;
    (void)when;
    p->converting = false;
    p->reg[REG_STATUS] &= (uint8_t)~MEASURING;
    p->reg[REG_CTRL_MEAS] &= 0xFCu;
    p->fresh = true;
    if (!p->burst) {
        publish(p);
    }
    return 0;
}

static void write_register(bench_t *b, uint8_t at, uint8_t value)
{
    struct part *p = &b->bus.part;
    if (at == REG_SOFT_RESET && value == RESET_WORD) {
        part_reset_registers(b);
    } else if (at == REG_CONFIG) {
        p->reg[at] = value;
    } else if (at == REG_CTRL_MEAS) {
        p->reg[at] = value;
        if ((value & 3u) == 3u || p->converting) {
            b->bus.stats.unexpected++;   /* normal mode, or a new order during a conversion */
        } else if (value & 3u) {
            convert(b);
        }
    }
}

/* ---- the bus ---- */

static void leave_burst(struct part *p)
{
    p->burst = false;
    if (p->fresh) {
        publish(p);
    }
}

void part_start(bench_t *b)
{
    struct part *p = &b->bus.part;
    bool awake = p->was_present && b->avr->cycle >= p->powered_since + p->cfg.startup_cycles;
    if (p->state != PART_IDLE && p->state != PART_DEAF && p->bits > 1u) {
        b->bus.stats.unexpected++;   /* in the middle of a byte: a repeated start's clock counts as one bit */
    }
    leave_burst(p);
    p->state = awake ? PART_ADDRESS : PART_DEAF;
    p->bits = 0;
    p->shift = 0;
    p->reading = false;
    p->first_byte = true;
    pull_sda(b, false);
}

void part_stop(bench_t *b)
{
    leave_burst(&b->bus.part);
    b->bus.part.state = PART_IDLE;
    pull_sda(b, false);
}

void part_clock_rose(bench_t *b)
{
    struct bus *bus = &b->bus;
    struct part *p = &bus->part;
    if (bus->stuck) {
        const struct span *stuck = within(p->stuck, p->stuck_count, b->avr->cycle);
        bus->stuck_clocks++;
        if (stuck != NULL && stuck->clocks != 0 && bus->stuck_clocks >= stuck->clocks) {
            p->stuck[stuck - p->stuck].to = b->avr->cycle;   /* it has shifted out what it was holding on to */
        }
    }
    if (p->state == PART_IDLE) {
        return;
    }
    if (p->bits < 8u && p->state != PART_READ) {
        p->shift = ((p->shift << 1) | (bus->sda.level ? 1u : 0u)) & 0xFFu;
    } else if (p->bits == 8u) {
        p->acknowledged = !bus->sda.level;
        if (p->first_byte) {
            bus->stats.acknowledged += p->acknowledged ? 1u : 0u;
            bus->stats.unanswered += p->acknowledged ? 0u : 1u;
        }
        p->first_byte = false;
    }
    p->bits++;
}

/* Eight bits have come in: whether they are answered. */
static bool take_byte(bench_t *b)
{
    struct part *p = &b->bus.part;
    uint8_t byte = (uint8_t)p->shift;
    if (p->state == PART_ADDRESS) {
        bool mine = (p->shift >> 1) == p->cfg.address;
        p->reading = (p->shift & 1u) != 0;
        p->state = !mine ? PART_DEAF : p->reading ? PART_READ : PART_REGISTER;
        return mine;
    }
    b->bus.stats.bytes_written++;
    if (p->state == PART_REGISTER) {
        p->pointer = byte;
        p->state = PART_WRITE;
    } else {
        write_register(b, p->pointer, byte);
        p->state = PART_REGISTER;
    }
    return true;
}

static avr_cycle_count_t unstretch_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    (void)avr;
    (void)when;
    b->bus.scl.device_low = false;
    bus_device_changed(b);
    return 0;
}

/* The acknowledge is over: the next byte's first bit, or ears for the next byte. */
static void next_byte(bench_t *b)
{
    struct part *p = &b->bus.part;
    p->bits = 0;
    if (p->state == PART_READ && !p->acknowledged) {
        p->state = PART_DEAF;
    }
    if (p->state == PART_READ) {
        p->burst = p->burst || (p->pointer >= REG_DATA && p->pointer <= REG_DATA_END);
        p->shift = p->reg[p->pointer++];
        b->bus.stats.bytes_read++;
    }
    if (p->cfg.stretch_cycles != 0 && p->state != PART_DEAF) {
        b->bus.scl.device_low = true;
        bench_at(b, b->avr->cycle + p->cfg.stretch_cycles, unstretch_event, b);
    }
    pull_sda(b, p->state == PART_READ && !(p->shift & 0x80u));
}

void part_clock_fell(bench_t *b)
{
    struct bus *bus = &b->bus;
    struct part *p = &bus->part;
    if (bus->stuck && within(p->stuck, p->stuck_count, b->avr->cycle) == NULL) {
        bus->stuck = false;
        pull_sda(b, p->sda_low);
    }
    if (p->state == PART_IDLE || p->bits == 0) {
        return;
    }
    if (p->state == PART_DEAF) {
        if (p->bits >= 9u) {
            p->bits = 0;
        }
        return;
    }
    bool sending = p->state == PART_READ && p->bits <= 8u;
    if (p->bits == 9u) {
        next_byte(b);
    } else if (p->bits == 8u && !sending) {
        pull_sda(b, take_byte(b));
    } else if (p->bits == 8u) {
        pull_sda(b, false);   /* the master's turn to acknowledge */
    } else if (sending) {
        pull_sda(b, !((p->shift >> (7u - p->bits)) & 1u));
    }
}

void part_free(bench_t *b)
{
    free(b->bus.part.present);
    free(b->bus.part.stuck);
}

/* ---- for Python ---- */

static void set_spans(struct span **to, uint64_t *held, const uint64_t *from, const uint64_t *until,
                      const uint64_t *clocks, uint64_t count)
{
    struct span *spans = calloc((size_t)count + 1u, sizeof *spans);
    if (spans == NULL) {
        abort();
    }
    for (uint64_t i = 0; i < count; i++) {
        spans[i] = (struct span){from[i], until[i], clocks[i]};
    }
    free(*to);
    *to = spans;
    *held = count;
}

/* Puts the part on the bus. `which` 0: when it is there; 1: when it holds SDA low. */
void bench_part_spans(bench_t *b, uint32_t which, const uint64_t *from, const uint64_t *until,
                      const uint64_t *clocks, uint64_t count)
{
    struct part *p = &b->bus.part;
    if (which == 0) {
        set_spans(&p->present, &p->present_count, from, until, clocks, count);
    } else {
        set_spans(&p->stuck, &p->stuck_count, from, until, clocks, count);
    }
}

void bench_part_fit(bench_t *b, const bench_part_config_t *config)
{
    struct part *p = &b->bus.part;
    p->cfg = *config;
    p->fitted = true;
    p->was_present = part_present(b);
    part_reset_registers(b);
    bus_settle(b);
    (void)span_event(b->avr, b->avr->cycle, b);
}
