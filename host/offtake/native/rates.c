/* How many frames of a message come within a stretch of time, one stretch after the other. */
#include <stdint.h>

#include "rates.h"

/* state: the tick with which the open stretch began (-1: none is open), the frames in it, the most in any so far. Ticks
 * count from 0 to below span; one that lies before the stretch, or window or more after its beginning, begins a new one. */
void ot_rates_count(const int64_t *ticks, int64_t count, int64_t window, int64_t span, int64_t *state)
{
    int64_t begin = state[0];
    int64_t inside = state[1];
    int64_t most = state[2];
    for (int64_t i = 0; i < count; i++) {
        int64_t since = ticks[i] - begin;
        since += since < 0 ? span : 0;
        if (begin < 0 || since >= window) {
            begin = ticks[i];
            inside = 0;
        }
        inside++;
        most = inside > most ? inside : most;
    }
    state[0] = begin;
    state[1] = inside;
    state[2] = most;
}
