/* The host's side of the serial adapter: samples what the chip sends at the host's own speed, so that a wrong
 * speed garbles it as a real adapter would. (What the host sends is put on the line by the caller.) */
#include <math.h>
#include <string.h>
#include <sys/inotify.h>
#include <unistd.h>

#include "bench.h"

enum { HOST_SAMPLES = 16 };

void bench_desk_baud(bench_t *b, double baud)
{
    b->desk.bit = baud > 0.0 ? (double)b->cfg.frequency_hz / baud : 0.0;
}

/* Bytes the host's adapter has received by now, at most `room`. */
uint64_t bench_desk_take(bench_t *b, uint8_t *to, uint64_t room)
{
    struct desk *d = &b->desk;
    struct line line = {.main = b->uart.tx_track};
    double now = (double)b->avr->cycle;
    double p = d->bit / HOST_SAMPLES;
    uint64_t got = 0;
    while (d->bit > 0.0 && got < room) {
        double edge = line_next_fall(&line, d->from);
        if (edge == (double)INFINITY || edge + 9.7 * d->bit > now) {
            break;
        }
        uint32_t value = 0;
        for (uint32_t i = 0; i < 8u; i++) {
            value |= line_majority(&line, edge, p, HOST_SAMPLES, i + 1u) ? 1u << i : 0u;
        }
        if (!line_majority(&line, edge, p, HOST_SAMPLES, 0)) {
            to[got++] = (uint8_t)value;
        }
        d->from = edge + 9.6 * d->bit;
    }
    b->uart.tx_track.cursor = line.main.cursor;
    return got;
}

/* Forgets what the chip has sent so far: nobody was listening. */
void bench_desk_flush(bench_t *b)
{
    b->desk.from = (double)b->avr->cycle;
}

/* A descriptor that tells of every open and close of a terminal: a close followed at once by an open would
 * escape a poll of the master for its hang-up. Negative when the kernel refuses. */
int32_t bench_watch_opens(const char *path)
{
    int watch = inotify_init1(IN_NONBLOCK | IN_CLOEXEC);
    if (watch >= 0 && inotify_add_watch(watch, path, IN_OPEN | IN_CLOSE) < 0) {
        (void)close(watch);
        watch = -1;
    }
    return watch;
}

/* Counts the opens and closes since the last call; 0 when nothing happened. */
int32_t bench_watch_next(int32_t watch, int32_t *opened, int32_t *closed)
{
    uint8_t buffer[4096];
    ssize_t got = read(watch, buffer, sizeof buffer);
    *opened = *closed = 0;
    for (size_t at = 0; got > 0 && at + sizeof(struct inotify_event) <= (size_t)got;) {
        struct inotify_event event;
        memcpy(&event, buffer + at, sizeof event);
        *opened += (event.mask & IN_OPEN) ? 1 : 0;
        *closed += (event.mask & IN_CLOSE) ? 1 : 0;
        at += sizeof event + event.len;
    }
    return *opened + *closed;
}
