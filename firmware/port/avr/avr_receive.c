/* The tapped line and the clock that stamps its bytes.
 *
 * Three interrupts share the work. The receive interrupt takes each byte in at most 80 cycles: a byte of a stretch (see
 * ot_ring.h) goes into the ring; any other, with its status and the low byte of its tick, into a short queue, and then
 * all that follow it, until the queue is empty. The queue is emptied by the EEPROM's ready interrupt, which has no other
 * use here and stands for as long as it is enabled and nothing is being written: it serves as one that software can
 * request, and lets the other two through. When the queue is full the receive interrupt masks itself until it is empty
 * again: what the line brings meanwhile waits in the chip, which says so when it could not hold it. The timer's overflow
 * counts the upper part of the tick.
 *
 * Register facts: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (DS40002061A). */
#include "avr_receive.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "ot_compiler.h"
#include "ot_port.h"
#include "ot_ring.h"

#if F_CPU == 16000000ul
#define TIMER_DIVIDER (_BV(CS22)) /* 64: 4 us */
#else
#define TIMER_DIVIDER (_BV(CS21) | _BV(CS20)) /* 32: 4 us */
#endif

/* Registers without a purpose of their own, reached in one or two cycles. GPIOR1 is OT_RING_QUICK, and nothing is compared
 * with timer 0. */
#define LAST_LOW GPIOR2 /* low byte of the tick of the byte before */
#define QUEUE_IN OCR0A  /* receive interrupt: low byte of the address where the queue's next byte goes */
#define MASKED OCR0B    /* set-up only: UCSR0B without the receive interrupt */
#define LATE 0          /* bit of GPIOR0: the next byte goes into the queue */
#define DRAINING 1      /* bit of GPIOR0: the queue is being emptied */
#define UNTIMED 2       /* bit of GPIOR0: no pause matters, so an overflow of the timer does not either (the desk) */

#define QUEUE_PLACES 4u /* power of two */
#define QUIET_MAX 0xffu

/* Bytes that wait for the long way: at most three, one place divides the newest from the oldest. They lie so that the low
 * byte of an address in `status` wraps when one bit is cleared; as all the initialised data there is this lies first in
 * memory, which leaves no gap before it, nor, with the tick in it, after. */
static struct {
    uint8_t status[QUEUE_PLACES];
    uint8_t low[QUEUE_PLACES]; /* of the tick */
    uint8_t byte[QUEUE_PLACES];
    /* Written by the overflow interrupt, and by the draining one, locked: the tick but for its low byte, timer 2. */
    volatile uint32_t tick_base;
} queue __attribute__((aligned(2u * QUEUE_PLACES), section(".data")));

/* Likewise: overflows since the byte before, saturating. Not 0 while LATE is not set. */
static volatile uint8_t quiet;

/* Draining interrupt: low byte of the address of the place that was emptied last. */
static volatile uint8_t queue_emptied;

/* The overflow interrupt, by hand like the receive interrupt below, for it may come on top of everything: four bytes of
 * stack instead of eleven. */
__attribute__((used)) static void hold_overflow_interrupt(void)
{
    __asm__ volatile(
        ".global __vector_9\n" /* TIMER2_OVF_vect */
        "__vector_9:\n\t"
        "push r24\n\t"
        "in   r24, __SREG__\n\t"
        "push r24\n\t"
        "sbis %[state], %[untimed]\n\t"
        "sbi  %[state], %[late]\n\t"
        "lds  r24, %[quiet]\n\t"
        "inc  r24\n\t"
        "breq 1f\n\t"
        "sts  %[quiet], r24\n"
        "1:\n\t"
        "lds  r24, %[base]+1\n\t"
        "inc  r24\n\t"
        "sts  %[base]+1, r24\n\t"
        "brne 2f\n\t"
        "lds  r24, %[base]+2\n\t"
        "inc  r24\n\t"
        "sts  %[base]+2, r24\n\t"
        "brne 2f\n\t"
        "lds  r24, %[base]+3\n\t"
        "inc  r24\n\t"
        "sts  %[base]+3, r24\n"
        "2:\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "reti"
        :
        : [state] "I"(_SFR_IO_ADDR(GPIOR0)), [late] "I"(LATE), [untimed] "I"(UNTIMED), [quiet] "i"(&quiet), [base] "i"(&queue.tick_base));
}

/* With interrupts off. An overflow that has not been served yet counts already. */
OT_INLINE uint32_t tick_now(void)
{
    uint32_t base = queue.tick_base;
    uint8_t low = TCNT2;
    if ((TIFR2 & _BV(TOV2)) != 0u && low < 0x80u) {
        base += 0x100u;
    }
    return base | low;
}

uint32_t ot_port_tick(void)
{
    uint8_t state = ot_port_lock();
    uint32_t tick = tick_now();
    ot_port_unlock(state);
    return tick;
}

/* The receive interrupt, by hand: the compiler would save three times the registers. Until it knows that a byte goes the
 * short way it has changed nothing. The pause is known by its low byte, since no overflow has come since the byte before:
 * one that has not been served yet, or a pause that is longer, sends the byte the other way. The function only holds the
 * text (-fstack-usage knows no naked functions); what is entered is the label. */
__attribute__((used)) static void hold_receive_interrupt(void)
{
    __asm__ volatile(
        ".global __vector_18\n" /* USART_RX_vect */
        "__vector_18:\n\t"
        "push r24\n\t"
        "in   r24, __SREG__\n\t"
        "push r24\n\t"
        "push r25\n\t"
        "push r30\n\t"
        "push r31\n\t"
        "lds  r24, %[timer]\n\t"
        "sbic %[state], %[late]\n\t"
        "rjmp 1f\n\t"
        "sbic %[flags], %[overflow]\n\t"
        "rjmp 1f\n\t"
        "lds  r25, %[status]\n\t"
        "andi r25, %[faults]\n\t"
        "brne 1f\n\t"
        "in   r25, %[last]\n\t"
        "sub  r25, r24\n\t" /* the pause, negative */
        "lds  r30, %[gap]\n\t"
        "add  r30, r25\n\t"
        "brcc 1f\n\t" /* it is longer, or none at all */
        "in   r25, %[quick]\n\t"
        "subi r25, 1\n\t"
        "brcs 1f\n\t"
        "lds  r30, %[stretch]\n\t"
        "lds  r31, %[stretch]+1\n\t"
        "sub  r30, r25\n\t"
        "sbci r31, 0\n\t" /* one past the byte's place */
        "out  %[quick], r25\n\t"
        "out  %[last], r24\n\t"
        "lds  r24, %[data]\n\t"
        "st   -Z, r24\n\t"
        "pop  r31\n\t"
        "pop  r30\n\t"
        "pop  r25\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "reti\n"
        "1:\n\t"
        "sbi  %[state], %[late]\n\t"
        "in   r30, %[queue_in]\n\t"
        "ldi  r31, hi8(%[queue])\n\t"
        "std  Z+%[places], r24\n\t"
        "lds  r24, %[status]\n\t" /* before the byte itself */
        "st   Z, r24\n\t"
        "lds  r24, %[data]\n\t"
        "std  Z+2*%[places], r24\n\t"
        "inc  r30\n\t"
        "andi r30, %[wrap]\n\t"
        "out  %[queue_in], r30\n\t"
        "lds  r24, %[emptied]\n\t"
        "cp   r24, r30\n\t"
        "breq 2f\n\t"
        "sbis %[state], %[draining]\n\t"
        "sbi  %[eecr], %[request]\n\t"
        "pop  r31\n\t"
        "pop  r30\n\t"
        "pop  r25\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "reti\n"
        "2:\n\t" /* full, so its emptying has been requested */
        "in   r24, %[masked]\n\t"
        "sts  %[control], r24\n\t"
        "pop  r31\n\t"
        "pop  r30\n\t"
        "pop  r25\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "reti"
        :
        : [status] "n"(_SFR_MEM_ADDR(UCSR0A)), [data] "n"(_SFR_MEM_ADDR(UDR0)), [control] "n"(_SFR_MEM_ADDR(UCSR0B)),
          [timer] "n"(_SFR_MEM_ADDR(TCNT2)), [flags] "I"(_SFR_IO_ADDR(TIFR2)), [overflow] "I"(TOV2),
          [faults] "M"(_BV(FE0) | _BV(DOR0)), [state] "I"(_SFR_IO_ADDR(GPIOR0)), [late] "I"(LATE),
          [draining] "I"(DRAINING), [last] "I"(_SFR_IO_ADDR(LAST_LOW)), [quick] "I"(_SFR_IO_ADDR(OT_RING_QUICK)),
          [gap] "i"(&ot_ring.gap_low), [stretch] "i"(&ot_ring.stretch), [queue] "i"(&queue), [places] "I"(QUEUE_PLACES),
          [queue_in] "I"(_SFR_IO_ADDR(QUEUE_IN)), [wrap] "M"(0xffu - QUEUE_PLACES), [emptied] "i"(&queue_emptied),
          [masked] "I"(_SFR_IO_ADDR(MASKED)),
          [eecr] "I"(_SFR_IO_ADDR(EECR)), [request] "I"(EERIE));
}

/* Tick of the byte before, where it is known; else one that is long ago. With interrupts off. */
OT_INLINE uint32_t last_tick(void)
{
    uint32_t base = queue.tick_base - ((uint16_t)quiet << 8);
    return quiet == QUIET_MAX ? base - 0x10000u : base | LAST_LOW;
}

static uint8_t queue_after(uint8_t place) { return (uint8_t)((place + 1u) & (0xffu - QUEUE_PLACES)); }

static bool queue_is_empty(void) { return queue_after(queue_emptied) == QUEUE_IN; }

/* Leave the queue, which is empty: from here on the receive interrupt does alone. With interrupts off. */
OT_INLINE void leave_queue(uint32_t last)
{
    if ((TIFR2 & _BV(TOV2)) != 0u) {
        TIFR2 = _BV(TOV2);
        queue.tick_base += 0x100u;
    }
    uint8_t overflows = (uint8_t)((uint16_t)(queue.tick_base >> 8) - (uint16_t)(last >> 8));
    quiet = overflows;
    LAST_LOW = (uint8_t)last;
    if (overflows == 0u || (GPIOR0 & _BV(UNTIMED)) != 0u) {
        GPIOR0 &= (uint8_t)~_BV(LATE);
    }
    GPIOR0 &= (uint8_t)~_BV(DRAINING);
    UCSR0B |= _BV(RXCIE0);
}

/* The long way of a byte, with all that can befall it. */
ISR(EE_READY_vect)
{
    EECR &= (uint8_t)~_BV(EERIE);
    GPIOR0 |= _BV(DRAINING);
    ot_ring_state *ring = ot_over_pointer(&ot_ring);
    uint32_t last = last_tick();
    while (!queue_is_empty()) {
        uint32_t tick = tick_now();
        uint8_t place = queue_after(queue_emptied);
        uint8_t at = place & (QUEUE_PLACES - 1u);
        uint8_t status = queue.status[at];
        uint8_t byte = queue.byte[at];
        tick -= (uint8_t)((uint8_t)tick - queue.low[at]);
        queue_emptied = place;
        sei();
        uint32_t pause = tick - last;
        last = tick;
        ot_ring_receive(ring, byte,
                        (uint8_t)(((status & _BV(FE0)) != 0u ? OT_FAULT_FRAMING : 0u) |
                                  ((status & _BV(DOR0)) != 0u ? OT_FAULT_OVERRUN : 0u)),
                        tick, pause < OT_PAUSE_MAX ? (uint16_t)pause : OT_PAUSE_MAX);
        cli();
    }
    leave_queue(last);
}

/* The draining interrupt does not come while the EEPROM is being written: who waits for that calls it. */
void avr_receive_drain(void)
{
    cli();
    if (queue_is_empty()) {
        sei();
    } else {
        __asm__ volatile("call __vector_22" ::: "memory"); /* returns with interrupts on */
    }
}

void ot_port_serial_stop(void)
{
    UCSR0B = 0;
    while ((GPIOR0 & _BV(DRAINING)) != 0u || !queue_is_empty()) {
    }
}

/* The divider of the bit rate at double speed, rounded to the nearest. An even one is the same rate at single speed,
 * which samples each bit more often; an odd one is closer than any at single speed. */
void ot_port_serial_start(uint32_t baud, bool transmit)
{
    uint16_t divider = (uint16_t)((F_CPU / 8u + baud / 2u) / baud);
    bool doubled = (divider & 1u) != 0u;
    ot_port_serial_stop();
    UBRR0 = (uint16_t)((doubled ? divider : divider / 2u) - 1u);
    UCSR0A = doubled ? _BV(U2X0) : 0u;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    GPIOR0 = _BV(LATE) | (ot_ring.gap_ticks == OT_PAUSE_MAX ? _BV(UNTIMED) : 0u);
    MASKED = (uint8_t)(_BV(RXEN0) | (transmit ? _BV(TXEN0) : 0u));
    UCSR0B = MASKED | _BV(RXCIE0);
}


void avr_clock_start(void)
{
    quiet = QUIET_MAX;
    queue_emptied = (uint8_t)(uint16_t)&queue;
    QUEUE_IN = queue_after(queue_emptied);
    GPIOR0 = _BV(LATE);
    TCCR2A = 0;
    TCCR2B = TIMER_DIVIDER;
    TIMSK2 = _BV(TOIE2);
}
