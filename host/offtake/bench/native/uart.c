/* USART0 as silicon has it: ten bits a byte, a two-byte FIFO and the shift register behind it, then the
 * overrun flag. libsimavr's own receiver counts eleven bits, holds 64 bytes and never overruns, so every one
 * of its register handlers is replaced. Only asynchronous 8N1 is modelled. */
#include <string.h>

#include "bench.h"

enum { RXC = 7, TXC = 6, UDRE = 5, FE = 4, DOR = 3, MPCM = 0, TXEN = 3 };

static avr_cycle_count_t tx_event(avr_t *avr, avr_cycle_count_t when, void *param);

void uart_follow(bench_t *b)
{
    struct uart *u = &b->uart;
    avr_t *avr = b->avr;
    vector_follow(avr, &u->sim->rxc, u->fifo_count > 0);
    vector_follow(avr, &u->sim->txc, u->txc);
    vector_follow(avr, &u->sim->udrc, !u->tx_full);
}

/* ---- transmitter ---- */

static void tx_begin(bench_t *b, uint8_t value, double start)
{
    struct uart *u = &b->uart;
    double bit = uart_period(u) * (double)uart_samples(u);
    uint16_t pattern = (uint16_t)(((uint32_t)value << 1) | 0x200u);
    u->tx_busy = true;
    u->stats.tx_bytes++;
    (void)track_append(&u->tx_track, &start, &pattern, &bit, 1);
    log_event(&u->sent, (uint64_t)start, 0, value);
    if (b->stop_tx && u->stats.tx_bytes >= b->stop_tx) {
        bench_halt(b);
    }
    bench_at(b, (uint64_t)(start + 10.0 * bit), tx_event, b);
}

static avr_cycle_count_t tx_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    (void)avr;
    u->tx_busy = false;
    if (u->tx_full) {
        u->tx_full = false;
        tx_begin(b, u->tx_buffer, (double)when);
    } else {
        u->txc = true;
    }
    uart_follow(b);
    return 0;
}

/* ---- registers ---- */

static uint8_t read_udr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    if (u->fifo_count == 0) {
        u->stats.empty_reads++;
    } else {
        struct rx_byte byte = u->fifo[0];
        u->fifo[0] = u->fifo[1];
        u->fifo_count--;
        if (u->shift_full) {
            u->shift_full = false;
            rx_push(u, u->shift);
        }
        u->last_udr = byte.value;
        u->stats.read++;
        log_event(&u->reads, avr->cycle, (byte.fe ? 1u : 0u) | (byte.dor ? 2u : 0u), byte.value);
        if (b->stop_reads && u->stats.read >= b->stop_reads) {
            bench_halt(b);
        }
    }
    uart_follow(b);
    avr->data[addr] = u->last_udr;
    return u->last_udr;
}

static uint8_t read_ucsra(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct uart *u = &((bench_t *)param)->uart;
    uint32_t v = u->ucsra & ((1u << UCSRA_U2X) | (1u << MPCM));
    if (u->fifo_count) {
        v |= (1u << RXC) | (u->fifo[0].fe ? 1u << FE : 0u) | (u->fifo[0].dor ? 1u << DOR : 0u);
    }
    v |= u->txc ? 1u << TXC : 0u;
    v |= u->tx_full ? 0u : 1u << UDRE;
    avr->data[addr] = (uint8_t)v;
    return (uint8_t)v;
}

static void write_udr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    (void)addr;
    if (!((u->ucsrb >> TXEN) & 1u) || u->tx_full) {
        u->stats.tx_dropped++;
        return;
    }
    if (u->tx_busy) {
        u->tx_full = true;
        u->tx_buffer = v;
    } else {
        tx_begin(b, v, (double)avr->cycle + 1.0);
    }
    uart_follow(b);
}

static void write_ucsra(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    if ((v >> TXC) & 1u) {
        u->txc = false;
    }
    if ((v ^ u->ucsra) & (1u << UCSRA_U2X)) {
        u->ucsra = v;
        rx_break_off(b);
        rx_search(b);
    }
    u->ucsra = v;
    (void)read_ucsra(avr, addr, b);
    uart_follow(b);
}

static void write_ucsrb(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    bool was_on = uart_rx_on(u);
    u->ucsrb = v;
    avr->data[addr] = v;
    if (((v >> TXEN) & 1u) && b->passive.txen_cycle == 0) {
        b->passive.txen_cycle = avr->cycle;
    }
    rx_switch(b, was_on, uart_rx_on(u));
    uart_follow(b);
    pins_changed(b);
}

static void write_ubrr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    avr->data[addr] = v;
    uint16_t ubrr = (uint16_t)(avr->data[REG_UBRR0L] | ((avr->data[REG_UBRR0H] & 0x0Fu) << 8));
    if (ubrr != u->ubrr) {
        u->ubrr = ubrr;
        rx_break_off(b);
        rx_search(b);
    }
}

static void write_ucsrc(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    avr->data[addr] = v;
    if (v != 0x06u) {
        bench_refuse(b, "UCSR0C is not 8N1, and only 8N1 is modelled");
    }
}

static void own(avr_t *avr, avr_io_addr_t reg, avr_io_read_t read, avr_io_write_t write, void *param)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(reg);
    if (read != NULL) {
        avr->io[i].r.c = read;
        avr->io[i].r.param = param;
    }
    avr->io[i].w.c = write;
    avr->io[i].w.param = param;
}

void uart_install(bench_t *b)
{
    avr_t *avr = b->avr;
    struct uart *u = &b->uart;
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0) {
            u->sim = (avr_uart_t *)io;
        }
    }
    u->line.main.idle = true;
    u->tx_track.idle = true;
    own(avr, REG_UDR0, read_udr, write_udr, b);
    own(avr, REG_UCSR0A, read_ucsra, write_ucsra, b);
    own(avr, REG_UCSR0B, NULL, write_ucsrb, b);
    own(avr, REG_UCSR0C, NULL, write_ucsrc, b);
    own(avr, REG_UBRR0L, NULL, write_ubrr, b);
    own(avr, REG_UBRR0H, NULL, write_ubrr, b);
}

/* After the emulator's own reset, which leaves the transmitter on for the sake of console prints. */
void uart_reset(bench_t *b)
{
    struct uart *u = &b->uart;
    bool was_on = uart_rx_on(u);
    u->ucsra = u->ucsrb = 0;
    rx_switch(b, was_on, false);
    u->ubrr = 0;
    u->tx_busy = u->tx_full = u->txc = false;
    avr_cycle_timer_cancel(b->avr, tx_event, b);
    b->avr->data[REG_UCSR0A] = 1u << UDRE;
    b->avr->data[REG_UCSR0B] = 0;
    b->avr->data[REG_UCSR0C] = 0x06;
}

/* On entry to a vector: TXC falls by itself, the other two stand until the cause is gone. */
void uart_entered(bench_t *b, uint8_t vector)
{
    if (vector == b->uart.sim->txc.vector) {
        b->uart.txc = false;
    }
    uart_follow(b);
}

/* Bytes were added to the line: an idle receiver has to look again. */
void uart_line_changed(bench_t *b)
{
    if (b->uart.rx_state != RX_DATA) {
        rx_search(b);
    }
}

void uart_free(bench_t *b)
{
    track_free(&b->uart.line.main);
    track_free(&b->uart.line.noise);
    track_free(&b->uart.tx_track);
    log_free(&b->uart.events);
    log_free(&b->uart.reads);
    log_free(&b->uart.sent);
}

/* ---- for Python ---- */

int32_t bench_line_append(bench_t *b, const double *start, const uint16_t *pattern, const double *bit,
                          uint64_t count)
{
    if (!track_append(&b->uart.line.main, start, pattern, bit, count)) {
        return -1;
    }
    uart_line_changed(b);
    return 0;
}

int32_t bench_line_noise(bench_t *b, const double *start, const uint16_t *pattern, const double *bit,
                         uint64_t count)
{
    if (!track_append(&b->uart.line.noise, start, pattern, bit, count)) {
        return -1;
    }
    uart_line_changed(b);
    return 0;
}

void bench_line_invert(bench_t *b, uint32_t invert)
{
    b->uart.line.invert = invert != 0;
    uart_line_changed(b);
}

double bench_line_end(bench_t *b)
{
    struct track *k = &b->uart.line.main;
    return k->count ? k->start[k->count - 1u] + 10.0 * k->bit[k->count - 1u] : 0.0;
}

void bench_uart_stats(bench_t *b, bench_uart_stats_t *to)
{
    struct uart *u = &b->uart;
    struct track *k = &u->line.main;
    double now = (double)b->avr->cycle;
    if (!uart_rx_on(u)) {
        rx_judge_missed(u, now, true);
    }
    uint64_t begun = u->judged;
    while (begun < k->count && k->start[begun] < now) {
        begun++;
    }
    *to = u->stats;
    to->cycle = b->avr->cycle;
    to->sent = begun;
    to->unsettled = begun - u->judged;
    to->waiting = u->fifo_count + (u->shift_full ? 1u : 0u);
}

static const bench_event_t *give(const struct log *log, uint64_t *count)
{
    *count = log->count;
    return (const bench_event_t *)(const void *)log->data;
}

const bench_event_t *bench_uart_events(bench_t *b, uint64_t *count) { return give(&b->uart.events, count); }
const bench_event_t *bench_uart_reads(bench_t *b, uint64_t *count) { return give(&b->uart.reads, count); }
const bench_event_t *bench_uart_sent(bench_t *b, uint64_t *count) { return give(&b->uart.sent, count); }
const bench_event_t *bench_pin_events(bench_t *b, uint64_t *count) { return give(&b->pins, count); }
