/* The watchdog, on its own 128 kHz oscillator: (2048 << WDP) ticks to a time-out, a four-cycle window for
 * clearing WDE or changing WDP, WDE forced on while WDRF is set (ATmega328P datasheet, "Watchdog Timer").
 * libsimavr 1.6 accepts WDE here and never bites, so its handlers are replaced. */
#include <string.h>

#include "bench.h"

enum { WDIF = 7, WDIE = 6, WDP3 = 5, WDCE = 4, WDE = 3, WDP_LOW = 7, WDRF = 3, OSCILLATOR_HZ = 128000 };

static avr_cycle_count_t bite(avr_t *avr, avr_cycle_count_t when, void *param);

static void restart(bench_t *b)
{
    struct watchdog *w = &b->watchdog;
    uint32_t wdp = (w->wdtcsr & (uint32_t)WDP_LOW) | ((w->wdtcsr >> (WDP3 - 3)) & 8u);
    avr_cycle_timer_cancel(b->avr, bite, b);
    if (!(w->wdtcsr & ((1u << WDE) | (1u << WDIE)))) {
        return;
    }
    uint64_t from = b->hold_until > b->avr->cycle ? b->hold_until : b->avr->cycle;
    bench_at(b, from + (UINT64_C(2048) << wdp) * b->cfg.frequency_hz / OSCILLATOR_HZ, bite, b);
}

static avr_cycle_count_t bite(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct watchdog *w = &b->watchdog;
    (void)when;
    if ((w->wdtcsr >> WDIE) & 1u) {
        w->wdtcsr |= 1u << WDIF;
        vector_follow(avr, w->vector, true);
        restart(b);
    } else {
        w->bitten = true;   /* the run loop resets the chip: not from inside the emulator's timers */
        avr->run_cycle_count = 1;
    }
    return 0;
}

static uint8_t read_wdtcsr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    const struct watchdog *w = &((bench_t *)param)->watchdog;
    uint32_t open = avr->cycle <= w->open_until ? 1u << WDCE : 0u;
    avr->data[addr] = (uint8_t)(w->wdtcsr | open);
    return avr->data[addr];
}

static void write_wdtcsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct watchdog *w = &b->watchdog;
    const uint32_t timed = (1u << WDE) | (1u << WDP3) | (uint32_t)WDP_LOW;
    uint32_t before = w->wdtcsr;
    uint32_t flag = ((v >> WDIF) & 1u) ? 0u : before & (1u << WDIF);
    uint32_t now = (before & timed) | flag | (v & (1u << WDIE));
    if (w->open_until != 0 && avr->cycle <= w->open_until) {
        now = (now & ~timed) | (v & timed);
    }
    if ((v >> WDE) & 1u) {
        now |= 1u << WDE;
    }
    if (((v >> WDCE) & 1u) && ((v >> WDE) & 1u)) {
        w->open_until = avr->cycle + 6u;   /* four cycles from the end of this two-cycle store */
    } else {
        w->open_until = 0;
    }
    if ((avr->data[REG_MCUSR] >> WDRF) & 1u) {
        now |= 1u << WDE;
    }
    w->wdtcsr = now;
    avr->data[addr] = (uint8_t)now;
    avr->data[addr] = read_wdtcsr(avr, addr, b);
    vector_follow(avr, w->vector, ((now >> WDIF) & 1u) != 0);
    if (now != before) {
        restart(b);
    }
}

/* The WDR instruction reaches the module through its ioctl. */
static int heed(avr_io_t *port, uint32_t ctl, void *param)
{
    (void)param;
    if (ctl != AVR_IOCTL_WATCHDOG_RESET) {
        return -1;
    }
    restart(port->avr->custom.data);
    return 0;
}

void watchdog_install(bench_t *b)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(REG_WDTCSR);
    for (avr_io_t *io = b->avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "watchdog") == 0) {
            io->ioctl = heed;
        }
    }
    b->avr->io[i].r.c = read_wdtcsr;
    b->avr->io[i].r.param = b;
    b->avr->io[i].w.c = write_wdtcsr;
    b->avr->io[i].w.param = b;
    b->watchdog.vector = vector_find(b->avr, 6);
}

/* After the emulator's own reset. A bite leaves WDRF, and with it WDE: the shortest time-out runs at once. */
void watchdog_reset(bench_t *b)
{
    struct watchdog *w = &b->watchdog;
    w->bitten = false;
    w->open_until = 0;
    w->wdtcsr = ((b->avr->data[REG_MCUSR] >> WDRF) & 1u) ? 1u << WDE : 0u;
    b->avr->data[REG_WDTCSR] = (uint8_t)w->wdtcsr;
    restart(b);
}

/* On entry to its vector the flag falls, and in the mode "interrupt, then reset" WDIE with it. */
void watchdog_entered(bench_t *b, uint8_t vector)
{
    struct watchdog *w = &b->watchdog;
    if (vector != w->vector->vector) {
        return;
    }
    w->wdtcsr &= ~(1u << WDIF);
    if ((w->wdtcsr >> WDE) & 1u) {
        w->wdtcsr &= ~(1u << WDIE);
    }
    b->avr->data[REG_WDTCSR] = (uint8_t)w->wdtcsr;
}
