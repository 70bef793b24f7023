/* The I2C bus on PC4 (SDA) and PC5 (SCL): two wires, low while anybody pulls them low, and high a rise time after the
 * last one let go. The firmware pulls by DDRC with PORTC at 0; driving a wire high is a breach that is kept. */
#include "bench.h"

enum { PIN_SDA = 4, PIN_SCL = 5 };

static void wire_changed(bench_t *b, struct wire *w, uint64_t when)
{
    struct bus *bus = &b->bus;
    uint64_t hz = b->cfg.frequency_hz;
    if (w == &bus->sda) {
        if (bus->scl.level && w->level) {
            bus->stats.stops++;
            part_stop(b);
        } else if (bus->scl.level) {
            bus->stats.starts++;
            part_start(b);
        }
        return;
    }
    /* Fast mode: SCL low for 1.3 us and high for 0.6 us at least (I2C-bus specification, "Characteristics of the SDA
     * and SCL bus lines"; from memory). */
    if (w->level) {
        bus->stats.too_fast += bus->scl_fell != 0 && (when - bus->scl_fell) * 10000000u < 13u * hz ? 1u : 0u;
        bus->scl_rose = when;
        part_clock_rose(b);
    } else {
        bus->stats.too_fast += (when - bus->scl_rose) * 10000000u < 6u * hz ? 1u : 0u;
        bus->scl_fell = when;
        part_clock_fell(b);
    }
}

static void wire_set(struct wire *w, bool level, uint64_t when)
{
    w->before = w->level;
    w->level = level;
    w->changed = when;
    wire_changed(w->bench, w, when);
}

static avr_cycle_count_t rise_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct wire *w = param;
    (void)avr;
    w->rising = false;
    wire_set(w, true, when);
    return 0;
}

static bool pulled_up(const bench_t *b)
{
    const struct part *part = &b->bus.part;
    return part->fitted && (!part->cfg.own_pull_ups || part->was_present);
}

static void wire_update(struct wire *w, uint64_t now)
{
    bench_t *b = w->bench;
    if (w->master_low || w->device_low || !pulled_up(b)) {
        avr_cycle_timer_cancel(b->avr, rise_event, w);
        w->rising = false;
        if (w->level) {
            wire_set(w, false, now);
        }
    } else if (!w->level && !w->rising) {
        w->rising = true;
        bench_at(b, now + b->bus.part.cfg.rise_cycles, rise_event, w);
    }
}

/* A store to port C: what the firmware pulls, from the end of that store on. SCL goes first when it falls, so that a
 * change of both is no start condition. */
void bus_pins_changed(bench_t *b)
{
    const avr_t *avr = b->avr;
    struct bus *bus = &b->bus;
    uint32_t pulls = avr->data[REG_DDRC] & ~(uint32_t)avr->data[REG_PORTC];
    struct wire *wires[2] = {&bus->scl, &bus->sda};
    static const uint8_t pins[2] = {PIN_SCL, PIN_SDA};
    for (uint32_t i = 0; i < 2u; i++) {
        bool low = ((pulls >> pins[i]) & 1u) != 0;
        if (low != wires[i]->master_low) {
            wires[i]->master_low = low;
            wire_update(wires[i], access_cycle(avr) + 1u);
        }
    }
}

/* The part pulls or lets go. */
void bus_device_changed(bench_t *b)
{
    struct bus *bus = &b->bus;
    uint64_t now = b->avr->cycle;
    wire_update(&bus->scl, now);
    wire_update(&bus->sda, now);
}

/* The wires as they lie before anything happens. */
void bus_settle(bench_t *b)
{
    b->bus.scl.level = b->bus.scl.before = pulled_up(b);
    b->bus.sda.level = b->bus.sda.before = pulled_up(b);
}

/* What PINC shows at `cycle`: the level half a cycle or more before (synchroniser). */
bool bus_wire_read(const struct wire *w, uint64_t cycle)
{
    return w->changed < cycle ? w->level : w->before;
}

void bus_install(bench_t *b)
{
    b->bus.sda.bench = b->bus.scl.bench = b;
}

void bus_free(bench_t *b)
{
    part_free(b);
    log_free(&b->bus.conversions);
}

/* ---- for Python ---- */

const bench_event_t *bench_conversions(bench_t *b, uint64_t *count)
{
    *count = b->bus.conversions.count;
    return (const bench_event_t *)(const void *)b->bus.conversions.data;
}

void bench_get_sensors(bench_t *b, bench_sensor_stats_t *to)
{
    *to = b->bus.stats;
}
