/* What the world does to the inputs, as functions of time: levels made of pulses, and curves. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"

/* ---- signals ---- */

static void *copy(const void *from, size_t size)
{
    void *to = malloc(size ? size : 1u);
    if (to == NULL) {
        abort();
    }
    memcpy(to, from, size);
    return to;
}

static void signal_free(struct signal *s)
{
    free(s->start);
    free(s->period);
    free(s->high);
    free(s->first);
    memset(s, 0, sizeof *s);
}

/* False when the trains are not in the order of time. The caller has looked at everything within a train. */
static bool signal_set(struct signal *s, const double *start, const double *period, const double *high,
                       const uint64_t *count, uint64_t trains)
{
    signal_free(s);
    for (uint64_t i = 0; i + 1u < trains; i++) {
        double end = start[i] + (double)(count[i] - 1u) * period[i] + high[i];
        if (start[i + 1u] < end) {
            return false;
        }
    }
    s->start = copy(start, (size_t)trains * sizeof *start);
    s->period = copy(period, (size_t)trains * sizeof *period);
    s->high = copy(high, (size_t)trains * sizeof *high);
    s->first = copy(count, (size_t)trains * sizeof *count);
    s->trains = trains;
    for (uint64_t i = 0; i < trains; i++) {
        s->first[i] = s->pulses;
        s->pulses += count[i];
    }
    return true;
}

/* The train that `pulse` is of. */
static uint64_t train_of(const struct signal *s, uint64_t pulse)
{
    uint64_t low = 0;
    uint64_t high = s->trains;
    while (high - low > 1u) {
        uint64_t middle = low + (high - low) / 2u;
        if (s->first[middle] <= pulse) {
            low = middle;
        } else {
            high = middle;
        }
    }
    return low;
}

/* The cycle at which a pulse begins; infinity past the last one. */
double signal_rise_at(const struct signal *s, uint64_t pulse)
{
    if (pulse >= s->pulses) {
        return (double)INFINITY;
    }
    uint64_t i = train_of(s, pulse);
    return s->start[i] + (double)(pulse - s->first[i]) * s->period[i];
}

double signal_fall_at(const struct signal *s, uint64_t pulse)
{
    return pulse < s->pulses ? signal_rise_at(s, pulse) + s->high[train_of(s, pulse)] : (double)INFINITY;
}

/* How many pulses have begun at `t`. */
uint64_t signal_rises(const struct signal *s, double t)
{
    if (s->trains == 0 || t < s->start[0]) {
        return 0;
    }
    uint64_t low = 0;
    uint64_t high = s->trains;
    while (high - low > 1u) {
        uint64_t middle = low + (high - low) / 2u;
        if (s->start[middle] <= t) {
            low = middle;
        } else {
            high = middle;
        }
    }
    uint64_t end = low + 1u < s->trains ? s->first[low + 1u] : s->pulses;
    uint64_t pulse = s->first[low];
    if (s->period[low] > 0.0) {
        double more = floor((t - s->start[low]) / s->period[low]);
        double room = (double)(end - 1u - pulse);
        pulse += (uint64_t)(more < room ? more : room);
    }
    /* Rounding may be off by one pulse to either side. */
    while (pulse + 1u < end && signal_rise_at(s, pulse + 1u) <= t) {
        pulse++;
    }
    while (pulse > s->first[low] && signal_rise_at(s, pulse) > t) {
        pulse--;
    }
    return pulse + 1u;
}

bool signal_level(const struct signal *s, double t)
{
    uint64_t begun = signal_rises(s, t);
    return begun > 0 && t < signal_fall_at(s, begun - 1u);
}

/* How many pulses have ended at `t`. */
uint64_t signal_falls(const struct signal *s, double t)
{
    uint64_t begun = signal_rises(s, t);
    return begun - (signal_level(s, t) ? 1u : 0u);
}

/* The first edge after `t` and the level from then on; infinity when the level stays. */
double signal_next_edge(const struct signal *s, double t, bool *level)
{
    uint64_t begun = signal_rises(s, t);
    if (begun > 0 && signal_fall_at(s, begun - 1u) > t) {
        *level = false;
        return signal_fall_at(s, begun - 1u);
    }
    *level = true;
    return signal_rise_at(s, begun);
}

/* ---- curves ---- */

static void curve_free(struct curve *c)
{
    free(c->cycle);
    free(c->value);
    memset(c, 0, sizeof *c);
}

/* False when the points are not in the order of time. */
static bool curve_set(struct curve *c, const double *cycle, const double *value, uint64_t points)
{
    curve_free(c);
    for (uint64_t i = 0; i + 1u < points; i++) {
        if (cycle[i + 1u] < cycle[i]) {
            return false;
        }
    }
    c->cycle = copy(cycle, (size_t)points * sizeof *cycle);
    c->value = copy(value, (size_t)points * sizeof *value);
    c->points = points;
    return true;
}

/* The value at `t`, 0 for a curve without points. */
double curve_value(struct curve *c, double t)
{
    if (c->points == 0) {
        return 0.0;
    }
    uint64_t i = c->cursor < c->points ? c->cursor : 0u;
    while (i > 0 && c->cycle[i] > t) {
        i--;
    }
    while (i + 1u < c->points && c->cycle[i + 1u] <= t) {
        i++;
    }
    c->cursor = i;
    if (t <= c->cycle[i] || i + 1u == c->points) {
        return c->value[i];
    }
    double part = (t - c->cycle[i]) / (c->cycle[i + 1u] - c->cycle[i]);
    return c->value[i] + part * (c->value[i + 1u] - c->value[i]);
}

void world_free(bench_t *b)
{
    struct world *w = &b->world;
    signal_free(&w->event);
    signal_free(&w->pulses);
    curve_free(&w->analogue[0]);
    curve_free(&w->analogue[1]);
    curve_free(&b->bus.part.pressure);
    curve_free(&b->bus.part.temperature);
    log_free(&b->edges.captures);
    log_free(&b->adc.samples);
}

/* ---- for Python ---- */

int32_t bench_world_signal(bench_t *b, uint32_t which, const double *start, const double *period, const double *high,
                           const uint64_t *count, uint64_t trains)
{
    struct signal *s = which == 0 ? &b->world.event : &b->world.pulses;
    if (!signal_set(s, start, period, high, count, trains)) {
        return -1;
    }
    timers_pulses_changed(b);
    edges_world_changed(b);
    return 0;
}

int32_t bench_world_curve(bench_t *b, uint32_t which, const double *cycle, const double *value, uint64_t points)
{
    struct curve *curves[] = {&b->world.analogue[0], &b->world.analogue[1], &b->bus.part.pressure,
                              &b->bus.part.temperature};
    return curve_set(curves[which], cycle, value, points) ? 0 : -1;
}

void bench_world_noise(bench_t *b, double first_mv, double second_mv, uint64_t seed)
{
    b->world.noise_mv[0] = first_mv;
    b->world.noise_mv[1] = second_mv;
    b->adc.noise = seed;
}
