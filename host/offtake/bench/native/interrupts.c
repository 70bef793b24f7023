/* Interrupt requests as levels. The emulator latches a request once; on silicon a request stands exactly as
 * long as flag and enable bit do, and goes away with either. */
#include "bench.h"

avr_int_vector_t *vector_find(avr_t *avr, uint8_t number)
{
    for (uint32_t i = 0; i < avr->interrupts.vector_count; i++) {
        if (avr->interrupts.vector[i]->vector == number) {
            return avr->interrupts.vector[i];
        }
    }
    return NULL;
}

/* Takes a request out of the emulator's queue, so that the queue cannot fill with stale entries. */
void vector_withdraw(avr_t *avr, avr_int_vector_t *vector)
{
    avr_int_pending_t *q = &avr->interrupts.pending;
    const uint32_t mask = (uint32_t)(sizeof q->buffer / sizeof q->buffer[0]) - 1u;
    uint32_t to = q->read;
    for (uint32_t from = q->read; from != q->write; from = (from + 1u) & mask) {
        if (q->buffer[from] != vector) {
            q->buffer[to] = q->buffer[from];
            to = (to + 1u) & mask;
        }
    }
    q->write = (uint16_t)to;
    vector->pending = 0;
    if (q->read == q->write && avr->interrupt_state > 0) {
        avr->interrupt_state = 0;
    }
}

/* Makes the request stand or fall with its flag and its enable bit. */
void vector_follow(avr_t *avr, avr_int_vector_t *vector, bool flag)
{
    bool wanted = flag && avr_regbit_get(avr, vector->enable) != 0;
    if (wanted && !vector->pending) {
        avr_raise_interrupt(avr, vector);
    } else if (!wanted && vector->pending) {
        vector_withdraw(avr, vector);
    }
}

/* Ends the run at the next instruction boundary. */
void bench_halt(bench_t *b)
{
    b->stop = true;
    b->avr->run_cycle_count = 1;
}

/* Calls `timer` at an absolute cycle. */
void bench_at(bench_t *b, uint64_t cycle, avr_cycle_timer_t timer, void *param)
{
    uint64_t now = b->avr->cycle;
    avr_cycle_timer_register(b->avr, cycle > now ? cycle - now : 0u, timer, param);
}
