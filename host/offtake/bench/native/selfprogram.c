/* Self-programming (ATmega48A to 328P datasheet, "Self-Programming the Flash" and its register SPMCSR; from memory).
 *
 * SPM works from the boot section alone, within four cycles of a command in SPMCSR. A page's erasure and its write
 * take 3.7 to 4.5 ms each, the slowest here. Meanwhile SPMEN reads 1; below NRWW_START flash cannot be read until
 * RWWSRE is asked for (modelled as FF), and a page above it halts the CPU. A write can only clear bits. A reset lets
 * the step under way end, a power cut leaves the page torn. Not here: the interrupt, lock and fuse bits, signature. */
#include <stdlib.h>
#include <string.h>

#include <avr_flash.h>

#include "bench.h"

enum { RWWSB = 6 };
enum { COMMAND_FILL = 0x01, COMMAND_ERASE = 0x03, COMMAND_WRITE = 0x05, COMMAND_READ_ENABLE = 0x11,
       COMMAND_BITS = 0x3F, SPMEN_BIT = 0x01 };
enum { OPCODE_OUT = 0xB8, STEP_MICROSECONDS = 4500 };

static uint8_t *cells(bench_t *b, uint32_t address)
{
    struct selfprogram *s = &b->selfprogram;
    return (s->hidden && address < NRWW_START ? s->rww : b->avr->flash) + address;
}

static void hide(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    if (!s->hidden) {
        memcpy(s->rww, b->avr->flash, NRWW_START);
        memset(b->avr->flash, 0xFF, NRWW_START);
        s->hidden = true;
    }
}

static void show(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    if (s->hidden) {
        memcpy(b->avr->flash, s->rww, NRWW_START);
        s->hidden = false;
    }
}

void selfprogram_forget_buffer(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    memset(s->buffer, 0xFF, sizeof s->buffer);
    memset(s->filled, 0, sizeof s->filled);
}

static void finish(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    uint8_t *to = cells(b, s->page);
    if (s->step == PAGE_ERASE) {
        memset(to, 0xFF, PAGE_BYTES);
        s->stats.erased++;
    } else {
        for (uint32_t i = 0; i < PAGE_BYTES; i++) {
            to[i] &= (uint8_t)(s->buffer[i / 2u] >> (8u * (i % 2u)));
        }
        s->stats.written++;
        selfprogram_forget_buffer(b);
    }
    s->step = PAGE_IDLE;
}

static avr_cycle_count_t step_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    (void)avr;
    (void)when;
    finish(b);
    return 0;
}

static void begin(bench_t *b, enum page_step step, uint32_t z)
{
    struct selfprogram *s = &b->selfprogram;
    avr_t *avr = b->avr;
    s->step = step;
    s->page = z & (FLASH_BYTES - PAGE_BYTES);
    s->began = avr->cycle;
    s->done = avr->cycle + (uint64_t)STEP_MICROSECONDS * b->cfg.frequency_hz / 1000000u;
    s->stats.boot_touched += s->page >= s->boot_start;
    log_event(&s->events, avr->cycle, (uint32_t)step, s->page);
    bench_at(b, s->done, step_done, b);
    if (s->page < NRWW_START) {
        hide(b);
    } else {
        b->hold_until = s->done;
        avr->run_cycle_count = 1;
    }
}

static void fill(struct selfprogram *s, uint32_t z, uint16_t word)
{
    uint32_t i = (z % PAGE_BYTES) / 2u;
    if (!s->filled[i]) {   /* a word of the buffer takes one value until the buffer is erased */
        s->buffer[i] = word;
        s->filled[i] = true;
    }
}

/* The SPM instruction reaches the module through its ioctl. */
static int program(avr_io_t *port, uint32_t ctl, void *param)
{
    (void)param;
    if (ctl != AVR_IOCTL_FLASH_SPM) {
        return -1;
    }
    avr_t *avr = port->avr;
    bench_t *b = avr->custom.data;
    struct selfprogram *s = &b->selfprogram;
    uint32_t z = ((uint32_t)avr->data[R_ZL] | ((uint32_t)avr->data[R_ZH] << 8)) & (FLASH_BYTES - 1u);
    bool open = s->open_until != 0 && avr->cycle <= s->open_until && avr->pc >= s->boot_start;
    uint32_t command = open && s->step == PAGE_IDLE ? s->command : 0u;
    s->open_until = 0;
    switch (command) {
    case COMMAND_FILL: fill(s, z, (uint16_t)(avr->data[0] | (avr->data[1] << 8))); break;
    case COMMAND_ERASE: begin(b, PAGE_ERASE, z); break;
    case COMMAND_WRITE: begin(b, PAGE_WRITE, z); break;
    case COMMAND_READ_ENABLE:
        show(b);
        selfprogram_forget_buffer(b);
        break;
    default: s->stats.ignored++; break;
    }
    return 0;
}

static uint8_t read_spmcsr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    const struct selfprogram *s = &((bench_t *)param)->selfprogram;
    bool open = s->open_until != 0 && avr->cycle <= s->open_until;
    uint32_t v = open || s->step != PAGE_IDLE ? s->command : 0u;
    (void)addr;
    return (uint8_t)(v | (s->hidden ? 1u << RWWSB : 0u));
}

static void write_spmcsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct selfprogram *s = &b->selfprogram;
    (void)addr;
    if (s->step == PAGE_IDLE && !b->eeprom.busy) {   /* a write to the EEPROM locks this register */
        s->command = v & COMMAND_BITS;
        /* SPM begins within the four cycles after the store, which takes one cycle (OUT) or two. */
        bool out = (avr->flash[avr->pc + 1u] & 0xF8u) == OPCODE_OUT;
        s->open_until = (v & SPMEN_BIT) ? avr->cycle + (out ? 4u : 5u) : 0u;
    }
}

void selfprogram_install(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(REG_SPMCSR);
    for (avr_io_t *io = b->avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "flash") == 0) {
            io->ioctl = program;
        }
    }
    /* Without a boot loader the fuses are as the chip leaves the factory: the largest boot section. */
    s->boot_start = b->cfg.reset_pc != 0 ? b->cfg.reset_pc : NRWW_START;
    selfprogram_forget_buffer(b);
    b->avr->io[i].r.c = read_spmcsr;
    b->avr->io[i].r.param = b;
    b->avr->io[i].w.c = write_spmcsr;
    b->avr->io[i].w.param = b;
}

/* After the emulator's own reset. The step under way ends well within the start-up time. */
void selfprogram_reset(bench_t *b)
{
    struct selfprogram *s = &b->selfprogram;
    if (s->step != PAGE_IDLE) {
        finish(b);
    }
    show(b);
    selfprogram_forget_buffer(b);
    s->command = 0;
    s->open_until = 0;
    b->avr->data[REG_SPMCSR] = 0;
}

/* Power fails now. Of the bits that the step under way would change, as many have changed as of its time has passed,
 * a seeded choice. (Between the two levels a cell reads either way; here it has made up its mind.) */
void bench_page_cut(bench_t *b, uint64_t seed)
{
    struct selfprogram *s = &b->selfprogram;
    if (s->step == PAGE_IDLE) {
        return;
    }
    uint64_t state = seed;
    uint64_t length = s->done - s->began;
    uint64_t passed = b->avr->cycle - s->began;
    uint8_t *to = cells(b, s->page);
    for (uint32_t i = 0; i < PAGE_BYTES; i++) {
        uint32_t target = s->step == PAGE_ERASE ? 0xFFu : to[i] & (uint32_t)(s->buffer[i / 2u] >> (8u * (i % 2u)));
        uint32_t changed = 0;
        for (uint32_t bit = 0; bit < 8u; bit++) {
            changed |= (uint32_t)(noise_next(&state) % length < passed) << bit;
        }
        to[i] ^= (uint8_t)((to[i] ^ target) & changed);
    }
    s->step = PAGE_IDLE;
    avr_cycle_timer_cancel(b->avr, step_done, b);
}

void bench_get_pages(bench_t *b, bench_pages_t *to)
{
    const struct selfprogram *s = &b->selfprogram;
    *to = s->stats;
    to->busy_page = s->step != PAGE_IDLE ? (int64_t)s->page : -1;
    to->busy_done = s->step != PAGE_IDLE ? s->done : 0u;
}

const bench_event_t *bench_page_events(bench_t *b, uint64_t *count)
{
    *count = b->selfprogram.events.count;
    return (const bench_event_t *)(const void *)b->selfprogram.events.data;
}

void selfprogram_free(bench_t *b)
{
    log_free(&b->selfprogram.events);
}
