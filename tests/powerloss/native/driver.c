/* Lives of the core on this computer, against the bench's card model: started, stopped anywhere, cut off, started again.
 *
 * The core keeps its state in statics, as firmware does. A chip's power-up is made by putting this library's writable
 * memory back as it was when it was loaded; what outlives a chip (the card, the logs) is on the heap. */
#define _GNU_SOURCE
#include <link.h>
#include <setjmp.h>
#include <stdlib.h>
#include <string.h>

#include "bench.h"
#include "driver.h"
#include "host_api.h"

enum { CYCLES_PER_US = 16, TURN_NS = 40000 };
#define HANG_NS UINT64_C(20000000000)

struct driver {
    bench_t bench;
    avr_t avr;
    driver_stop_t stop;
    uint32_t (*at_stop)(void);
    jmp_buf out;
    uint8_t *pristine;
    uint8_t *memory;
    size_t memory_size;
    uint64_t hang_at_ns;
    const uint64_t *times_ns;
    const uint8_t *bytes;
    uint32_t count;
    uint8_t cause;
    uint64_t start_ns;
    bool begun;
};

static driver_t *running;

/* ---- what the card model asks of the rest of the bench ---- */

void bench_halt(bench_t *b) { b->stop = true; }

/* ---- the library's own writable memory ---- */

static int find_memory(struct dl_phdr_info *info, size_t size, void *param)
{
    driver_t *d = param;
    (void)size;
    uintptr_t own = (uintptr_t)&running;
    uintptr_t begin = 0;
    uintptr_t end = 0;
    uintptr_t constant_end = 0;
    for (size_t i = 0; i < info->dlpi_phnum; i++) {
        const ElfW(Phdr) *part = &info->dlpi_phdr[i];
        uintptr_t at = info->dlpi_addr + part->p_vaddr;
        if (part->p_type == PT_LOAD && own >= at && own < at + part->p_memsz) {
            begin = at;
            end = at + part->p_memsz;
        } else if (part->p_type == PT_GNU_RELRO) {
            constant_end = at + part->p_memsz;
        }
    }
    if (begin == 0) {
        return 0;
    }
    begin = constant_end > begin && constant_end < end ? constant_end : begin;
    d->memory = (uint8_t *)begin;
    d->memory_size = end - begin;
    return 1;
}

static void keep_pristine(driver_t *d)
{
    static uint8_t *kept; /* of the first driver: the memory as it was loaded */
    if (kept == NULL) {
        uint8_t *copy = malloc(d->memory_size);
        if (copy == NULL) {
            abort();
        }
        kept = copy;
        memcpy(copy, d->memory, d->memory_size); /* `kept` included, so that it outlives every power-up */
    }
    d->pristine = kept;
}

/* ---- the bus ---- */

static void follow_time(driver_t *d) { d->avr.cycle = host_logger_time_ns() * CYCLES_PER_US / 1000u; }

static bool is_reached(const driver_t *d)
{
    const struct card *c = &d->bench.card;
    const driver_stop_t *s = &d->stop;
    uint64_t got = c->write_state == WRITE_DATA ? c->write_got : 0u;
    return host_logger_time_ns() >= s->at_ns || c->stats.blocks_written >= s->accepted ||
           (c->write_ordinal == s->offered && c->write_state == WRITE_DATA && got >= s->in_block) ||
           c->write_ordinal > s->offered || c->stats.commands >= s->commands;
}

static void look(driver_t *d)
{
    if (host_logger_time_ns() > d->hang_at_ns) {
        longjmp(d->out, DRIVER_HUNG);
    }
    if (is_reached(d)) {
        memset(&d->stop, 0xff, sizeof d->stop);
        if (d->at_stop() == DRIVER_CUT) {
            longjmp(d->out, DRIVER_WAS_CUT);
        }
    }
}

static uint8_t exchange(uint8_t mosi)
{
    driver_t *d = running;
    follow_time(d);
    uint8_t miso = card_exchange(&d->bench, mosi);
    look(d);
    return miso;
}

static void select_card(uint8_t on)
{
    follow_time(running);
    bench_bus_select(&running->bench, on);
}

/* ---- for Python ---- */

driver_t *driver_new(uint32_t (*at_stop)(void), uint8_t *image, uint32_t sectors, const bench_card_config_t *config)
{
    driver_t *d = calloc(1, sizeof *d);
    if (d == NULL) {
        abort();
    }
    d->bench.avr = &d->avr;
    d->at_stop = at_stop;
    memset(&d->stop, 0xff, sizeof d->stop);
    (void)dl_iterate_phdr(find_memory, d);
    keep_pristine(d);
    bench_card_insert(&d->bench, config, image, sectors);
    return d;
}

void driver_free(driver_t *d)
{
    card_free(&d->bench);
    free(d);
}

bench_t *driver_bench(driver_t *d) { return &d->bench; }

void driver_begin(driver_t *d, const uint64_t *times_ns, const uint8_t *bytes, uint32_t count, uint32_t cause,
                  uint64_t start_ns)
{
    memcpy(d->memory, d->pristine, d->memory_size);
    running = d;
    d->avr.cycle = start_ns * CYCLES_PER_US / 1000u;
    bench_bus_select(&d->bench, 0);
    d->times_ns = times_ns;
    d->bytes = bytes;
    d->count = count;
    d->cause = (uint8_t)cause;
    d->start_ns = start_ns;
    d->begun = false;
}

void driver_set_stop(driver_t *d, const driver_stop_t *stop) { d->stop = *stop; }

int32_t driver_run(driver_t *d, uint64_t until_ns)
{
    int how = setjmp(d->out);
    if (how != 0) {
        return how;
    }
    d->hang_at_ns = until_ns + HANG_NS;
    if (!d->begun) {
        d->begun = true;
        host_logger_pace(TURN_NS);
        host_logger_begin_at(exchange, select_card, d->times_ns, d->bytes, d->count, d->cause, d->start_ns);
    }
    while (host_logger_time_ns() < until_ns) {
        uint64_t next = host_logger_time_ns() + 1u; /* one turn */
        host_logger_run(next);
        look(d);
    }
    follow_time(d);
    return DRIVER_REACHED;
}

uint64_t driver_time_ns(driver_t *d)
{
    (void)d;
    return host_logger_time_ns();
}

void driver_insert(driver_t *d, const bench_card_config_t *config)
{
    follow_time(d);
    bench_card_insert(&d->bench, config, d->bench.card.image, d->bench.card.sectors);
}
