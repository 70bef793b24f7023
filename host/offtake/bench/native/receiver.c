/* USART0's receiver: finds start bits in the waveform, samples bytes, fills the two-byte FIFO and the shift
 * register behind it, and accounts for every byte of the line exactly once. */
#include <math.h>

#include "bench.h"

static avr_cycle_count_t rx_event(avr_t *avr, avr_cycle_count_t when, void *param);

bool uart_rx_on(const struct uart *u)
{
    return ((u->ucsrb >> UCSRB_RXEN) & 1u) != 0;
}

uint32_t uart_samples(const struct uart *u)
{
    return ((u->ucsra >> UCSRA_U2X) & 1u) ? 8u : 16u;
}

double uart_period(const struct uart *u)
{
    return (double)(u->ubrr + 1u);
}

/* ---- accounting ---- */

/* Judges every byte of the line whose start bit came before `t` and that was not taken for a frame. */
void rx_judge_missed(struct uart *u, double t, bool off)
{
    struct track *k = &u->line.main;
    while (u->judged < k->count && k->start[u->judged] < t) {
        u->judged++;
        if (off) {
            u->stats.missed_off++;
        } else {
            u->stats.missed_sync++;
        }
    }
}

/* The receiver took the edge at `edge` for a start bit: is it a byte of the line's? */
static void judge_frame(struct uart *u, double edge)
{
    struct track *k = &u->line.main;
    rx_judge_missed(u, edge - 0.5, false);
    u->rx_spurious = !(u->judged < k->count && k->start[u->judged] <= edge + 0.5);
    if (u->rx_spurious) {
        u->stats.spurious++;
    } else {
        u->judged++;
        u->stats.framed++;
    }
}

/* Finds the next start edge and asks to be called when the chip has verified it. */
void rx_search(bench_t *b)
{
    struct uart *u = &b->uart;
    avr_cycle_timer_cancel(b->avr, rx_event, b);
    u->rx_state = RX_IDLE;
    if (!uart_rx_on(u)) {
        return;
    }
    double edge = line_next_fall(&u->line, u->rx_from);
    if (edge == (double)INFINITY) {
        return;
    }
    double p = uart_period(u);
    u->rx_edge = ceil(edge / p) * p;   /* the sample clock runs free from cycle 0 */
    u->rx_from = edge;
    u->rx_state = RX_START;
    bench_at(b, (uint64_t)(u->rx_edge + (double)(uart_samples(u) / 2u + 1u) * p), rx_event, b);
}

void rx_push(struct uart *u, struct rx_byte byte)
{
    if (u->fifo_count < 2u) {
        u->fifo[u->fifo_count++] = byte;
    } else {
        u->shift = byte;
        u->shift_full = true;
    }
}

/* A verified start bit while a whole byte still waits in the shift register: that byte is lost. */
static void rx_started(bench_t *b, uint64_t when)
{
    struct uart *u = &b->uart;
    judge_frame(u, u->rx_from);   /* the line's own edge, from rx_search */
    u->stats.in_flight = 1;
    if (u->shift_full) {
        u->shift_full = false;
        u->lost_pending = true;
        u->stats.overrun_lost++;
        log_event(&u->events, when, EVENT_OVERRUN, u->shift.value);
    }
}

static void rx_complete(bench_t *b, uint64_t when)
{
    struct uart *u = &b->uart;
    struct rx_byte byte = {0, false, u->lost_pending};
    double p = uart_period(u);
    uint32_t n = uart_samples(u);
    for (uint32_t i = 0; i < 8u; i++) {
        if (line_majority(&u->line, u->rx_edge, p, n, i + 1u)) {
            byte.value = (uint8_t)(byte.value | (1u << i));
        }
    }
    byte.fe = !line_majority(&u->line, u->rx_edge, p, n, 9u);
    if (byte.fe) {
        u->stats.framing_errors++;
        log_event(&u->events, when, EVENT_FRAMING, byte.value);
    }
    u->stats.in_flight = 0;
    u->lost_pending = false;
    rx_push(u, byte);
    uart_follow(b);
}

static avr_cycle_count_t rx_event(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct uart *u = &b->uart;
    (void)avr;
    if (u->rx_state == RX_START) {
        double p = uart_period(u);
        uint32_t n = uart_samples(u);
        if (line_majority(&u->line, u->rx_edge, p, n, 0)) {
            u->stats.false_starts++;
            u->rx_from = (double)when;
            rx_search(b);
            return 0;
        }
        rx_started(b, when);
        u->rx_state = RX_DATA;
        bench_at(b, (uint64_t)(u->rx_edge + (double)(n * 9u + n / 2u + 1u) * p), rx_event, b);
        return 0;
    }
    rx_complete(b, when);
    u->rx_from = (double)when;
    rx_search(b);
    return 0;
}

/* Ends whatever the receiver was doing; what it does next begins at the present cycle. */
void rx_break_off(bench_t *b)
{
    struct uart *u = &b->uart;
    if (u->rx_state == RX_DATA) {
        u->stats.aborted++;
        u->stats.in_flight = 0;
    }
    u->rx_state = RX_IDLE;
    u->rx_from = (double)b->avr->cycle;
}

void rx_switch(bench_t *b, bool was_on, bool on)
{
    struct uart *u = &b->uart;
    double now = (double)b->avr->cycle;
    if (was_on == on) {
        return;
    }
    rx_break_off(b);
    rx_judge_missed(u, now, !was_on);
    if (!on) {
        u->stats.flushed += u->fifo_count + (u->shift_full ? 1u : 0u);
        u->fifo_count = 0;
        u->shift_full = false;
        u->lost_pending = false;
    }
    rx_search(b);
}
