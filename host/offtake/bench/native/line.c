/* The serial line as a waveform, sampled the way an AVR receiver samples it: wrong speeds, noise and breaks
 * need no rules of their own, they come out of the samples. */
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"

static const double EDGE = 1e-4;   /* a little to either side of an edge, in cycles */

bool track_append(struct track *t, const double *start, const uint16_t *pattern, const double *bit, uint64_t n)
{
    if (n == 0) {
        return true;
    }
    if (t->count > 0 && start[0] < t->start[t->count - 1u]) {
        return false;
    }
    for (uint64_t i = 1; i < n; i++) {
        if (start[i] < start[i - 1u]) {
            return false;
        }
    }
    if (t->count + n > t->room) {
        uint64_t room = t->room * 2u > t->count + n ? t->room * 2u : t->count + n + 64u;
        t->start = realloc(t->start, (size_t)room * sizeof *t->start);
        t->bit = realloc(t->bit, (size_t)room * sizeof *t->bit);
        t->pattern = realloc(t->pattern, (size_t)room * sizeof *t->pattern);
        if (t->start == NULL || t->bit == NULL || t->pattern == NULL) {
            abort();
        }
        t->room = room;
    }
    memcpy(t->start + t->count, start, (size_t)n * sizeof *start);
    memcpy(t->bit + t->count, bit, (size_t)n * sizeof *bit);
    memcpy(t->pattern + t->count, pattern, (size_t)n * sizeof *pattern);
    t->count += n;
    return true;
}

void track_free(struct track *t)
{
    free(t->start);
    free(t->bit);
    free(t->pattern);
    memset(t, 0, sizeof *t);
}

/* The last frame that has begun at `t`; false when none has. */
static bool track_seek(struct track *k, double t)
{
    if (k->count == 0 || t < k->start[0]) {
        k->cursor = 0;
        return false;
    }
    while (k->cursor + 1u < k->count && k->start[k->cursor + 1u] <= t) {
        k->cursor++;
    }
    while (k->start[k->cursor] > t) {
        k->cursor--;
    }
    return true;
}

static bool track_level(struct track *k, double t)
{
    if (!track_seek(k, t)) {
        return k->idle;
    }
    double symbol = floor((t - k->start[k->cursor]) / k->bit[k->cursor]);
    if (symbol >= 10.0) {
        return k->idle;
    }
    return ((k->pattern[k->cursor] >> (uint32_t)symbol) & 1u) != 0;
}

/* The next moment after `t` at which a symbol, a frame or the idle time begins; infinity when nothing comes. */
static double track_next_boundary(struct track *k, double t)
{
    if (!track_seek(k, t)) {
        return k->count ? k->start[0] : (double)INFINITY;
    }
    double next = k->cursor + 1u < k->count ? k->start[k->cursor + 1u] : (double)INFINITY;
    double symbol = floor((t - k->start[k->cursor]) / k->bit[k->cursor] + EDGE) + 1.0;
    if (symbol <= 10.0) {
        double boundary = k->start[k->cursor] + symbol * k->bit[k->cursor];
        if (boundary < next) {
            return boundary;
        }
    }
    return next;
}

bool line_level(struct line *line, double t)
{
    bool level = track_level(&line->main, t);
    if (line->noise.count && track_level(&line->noise, t)) {
        level = !level;
    }
    return level != line->invert;
}

/* The first falling edge after `from`; infinity when the line stays as it is. */
double line_next_fall(struct line *line, double from)
{
    double t = from;
    for (;;) {
        double next = track_next_boundary(&line->main, t);
        if (line->noise.count) {
            double noise = track_next_boundary(&line->noise, t);
            next = noise < next ? noise : next;
        }
        if (next == (double)INFINITY) {
            return next;
        }
        if (line_level(line, next - EDGE) && !line_level(line, next + EDGE)) {
            return next;
        }
        t = next + EDGE;
    }
}

/* Bit `bit` of a frame whose start was first seen at `edge`: the majority of samples 8, 9 and 10 of 16, or
 * 4, 5 and 6 of 8, as the chip takes it (ATmega328P datasheet, "Asynchronous Data Recovery"). */
bool line_majority(struct line *line, double edge, double period, uint32_t samples, uint32_t bit)
{
    double first = edge + ((double)(samples * bit) + (double)(samples / 2u - 1u)) * period;
    uint32_t ones = 0;
    for (uint32_t i = 0; i < 3u; i++) {
        ones += line_level(line, first + (double)i * period + EDGE) ? 1u : 0u;
    }
    return ones >= 2u;
}
