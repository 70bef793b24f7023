/* Logs that grow, seeded noise and the two checksums of the SD bus. */
#include <stdlib.h>

#include "bench.h"

/* One more record at the end of the log; memory exhaustion ends the process, as nothing here could go on. */
void *log_add(struct log *log, size_t size)
{
    if (log->count == log->room) {
        uint64_t room = log->room ? log->room * 2u : 256u;
        uint8_t *data = realloc(log->data, (size_t)room * size);
        if (data == NULL) {
            abort();
        }
        log->data = data;
        log->room = room;
        log->size = size;
    }
    return log->data + (size_t)log->count++ * size;
}

void log_event(struct log *log, uint64_t cycle, uint32_t kind, uint32_t value)
{
    bench_event_t *e = log_add(log, sizeof *e);
    e->cycle = cycle;
    e->kind = kind;
    e->value = value;
}

void log_free(struct log *log)
{
    free(log->data);
    log->data = NULL;
    log->count = log->room = 0;
}

/* splitmix64: any seed is a good seed. */
uint64_t noise_next(uint64_t *state)
{
    uint64_t z = (*state += UINT64_C(0x9E3779B97F4A7C15));
    z = (z ^ (z >> 30)) * UINT64_C(0xBF58476D1CE4E5B9);
    z = (z ^ (z >> 27)) * UINT64_C(0x94D049BB133111EB);
    return z ^ (z >> 31);
}

uint16_t crc16_xmodem(const uint8_t *data, size_t size)
{
    uint32_t crc = 0;
    for (size_t i = 0; i < size; i++) {
        uint32_t x = ((crc >> 8) ^ data[i]) & 0xFFu;
        x ^= x >> 4;
        crc = ((crc << 8) ^ (x << 12) ^ (x << 5) ^ x) & 0xFFFFu;
    }
    return (uint16_t)crc;
}

uint8_t crc7_mmc(const uint8_t *data, size_t size)
{
    uint32_t crc = 0;
    for (size_t i = 0; i < size; i++) {
        crc ^= data[i];
        for (int k = 0; k < 8; k++) {
            crc = (crc & 0x80u) ? (crc << 1) ^ 0x12u : crc << 1;
        }
    }
    return (uint8_t)((crc & 0xFFu) >> 1);
}
