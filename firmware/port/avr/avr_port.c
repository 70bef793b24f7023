/* The ATmega328P port: all registers of this board are touched in this folder and nowhere else.
 *
 * Register facts: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (DS40002061A). */
#include "ot_port.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "avr_start.h"
#include "ot_board.h"
#include "ot_bytes.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_ring.h"
#include "ot_spec.h"

#if F_CPU == OT_CLOCK_ATMEGA328P_16MHZ
#define BOARD_CODE OT_BOARD_ATMEGA328P_16MHZ
#define TIMER_DIVIDER (_BV(CS22)) /* 64: 4 us */
#define SLOW_RATE (_BV(SPR1))     /* 64: 250 kHz */
#elif F_CPU == OT_CLOCK_ATMEGA328P_8MHZ
#define BOARD_CODE OT_BOARD_ATMEGA328P_8MHZ
#define TIMER_DIVIDER (_BV(CS21) | _BV(CS20)) /* 32: 4 us */
#define SLOW_RATE (_BV(SPR0))                 /* 16, doubled below to 32: 250 kHz */
#else
#error "no such variant of this board in shared_spec/boards/atmega328p.toml"
#endif

#define CARD_SELECT PB2
#define CARD_MOSI PB3
#define CARD_MISO PB4
#define CARD_CLOCK PB5
#define LIGHT PB1
#define ADC_BANDGAP (_BV(REFS0) | 0x0eu) /* AVCC as reference, 1.1 V bandgap as input */
#define BANDGAP_MV 1100ul
#define SUPPLY_SETTLE 4u /* conversions thrown away while the bandgap settles */

/* Written by the overflow interrupt only: the tick but for its low 8 bits, which are timer 2 itself. */
static volatile uint32_t tick_base;

/* Written by port_start() before interrupts are on. */
static uint8_t reset_cause;

/* Main loop only: conversions still to come before one counts; 0: none is under way. */
static uint8_t supply_conversions;

OT_INLINE void count_overflow(void)
{
    tick_base += 0x100u;
    if (ot_ring.quiet != 0xffu) {
        ot_ring.quiet++;
    }
}

ISR(TIMER2_OVF_vect) { count_overflow(); }

/* With interrupts off. An overflow that has not been served yet counts already. */
OT_INLINE uint32_t tick_now(void)
{
    uint32_t base = tick_base;
    uint8_t low = TCNT2;
    if ((TIFR2 & _BV(TOV2)) != 0u && low < 0x80u) {
        base += 0x100u;
    }
    return base | low;
}

/* Any byte, with all that can befall it. */
ISR(__vector_receive_any)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    uint8_t low = TCNT2;
    if ((TIFR2 & _BV(TOV2)) != 0u && low < 0x80u) {
        /* An overflow before this byte, not served yet. It is served here: counted after the byte, it would make the
         * pause before this byte negative and the one after it too long. */
        TIFR2 = _BV(TOV2);
        count_overflow();
    }
    uint32_t tick = tick_base | low;
    ot_ring_state *ring = ot_over_pointer(&ot_ring);
    if ((status & (_BV(FE0) | _BV(DOR0))) != 0u) {
        ot_ring_fault(ring, (uint8_t)(((status & _BV(FE0)) != 0u ? OT_FAULT_FRAMING : 0u) |
                                ((status & _BV(DOR0)) != 0u ? OT_FAULT_OVERRUN : 0u)),
                      tick);
    }
    ot_ring_receive(ring, byte, tick);
}

/* A byte inside a stretch (see ot_ring.h), by hand: the compiler would save three times the registers. Whatever else
 * it is, it has changed nothing yet when it leaves it to the interrupt above: faults, the end of the stretch, a pause,
 * or an overflow of the timer that has not been served, so that the pause is not known here. The function only holds
 * the text (-fstack-usage knows no naked functions); what is entered is the label. */
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
        "lds  r24, %[status]\n\t"
        "andi r24, %[faults]\n\t"
        "brne 1f\n\t"
        "lds  r24, %[quick]\n\t"
        "tst  r24\n\t"
        "breq 1f\n\t"
        "lds  r24, %[timer]\n\t"
        "lds  r31, %[quiet]\n\t"
        "sbic %[flags], %[overflow]\n\t"
        "rjmp 1f\n\t"
        "mov  r30, r24\n\t" /* Z: the pause in ticks */
        "lds  r25, %[last]\n\t"
        "sub  r30, r25\n\t"
        "sbci r31, 0\n\t"
        "lds  r25, %[gap]\n\t"
        "cp   r25, r30\n\t"
        "lds  r25, %[gap]+1\n\t"
        "cpc  r25, r31\n\t"
        "brlo 1f\n\t"
        "sts  %[last], r24\n\t"
        "lds  r24, %[quick]\n\t"
        "lds  r30, %[stretch]\n\t"
        "lds  r31, %[stretch]+1\n\t"
        "sub  r30, r24\n\t"
        "sbci r31, 0\n\t"
        "dec  r24\n\t"
        "sts  %[quick], r24\n\t"
        "ldi  r24, 0\n\t"
        "sts  %[quiet], r24\n\t"
        "lds  r24, %[data]\n\t"
        "st   Z, r24\n\t"
        "pop  r31\n\t"
        "pop  r30\n\t"
        "pop  r25\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "reti\n"
        "1:\n\t"
        "pop  r31\n\t"
        "pop  r30\n\t"
        "pop  r25\n\t"
        "pop  r24\n\t"
        "out  __SREG__, r24\n\t"
        "pop  r24\n\t"
        "jmp  __vector_receive_any"
        :
        : [status] "n"(_SFR_MEM_ADDR(UCSR0A)), [data] "n"(_SFR_MEM_ADDR(UDR0)), [timer] "n"(_SFR_MEM_ADDR(TCNT2)),
          [flags] "I"(_SFR_IO_ADDR(TIFR2)), [overflow] "I"(TOV2), [faults] "M"(_BV(FE0) | _BV(DOR0)),
          [quick] "i"(&ot_ring.quick), [quiet] "i"(&ot_ring.quiet), [last] "i"(&ot_ring.last_low),
          [gap] "i"(&ot_ring.gap_ticks), [stretch] "i"(&ot_ring.stretch));
}

uint32_t ot_port_tick(void)
{
    uint8_t state = ot_port_lock();
    uint32_t tick = tick_now();
    ot_port_unlock(state);
    return tick;
}

uint8_t ot_port_lock(void)
{
    uint8_t state = SREG;
    cli();
    return state;
}

void ot_port_unlock(uint8_t state) { SREG = state; }

void ot_port_spi_begin(uint8_t out) { SPDR = out; }

uint8_t ot_port_spi_end(void)
{
    while ((SPSR & _BV(SPIF)) == 0u) {
    }
    return SPDR;
}

uint8_t ot_port_spi(uint8_t out)
{
    ot_port_spi_begin(out);
    return ot_port_spi_end();
}

void ot_port_spi_fast(bool fast)
{
    SPCR = (uint8_t)(_BV(SPE) | _BV(MSTR) | (fast ? 0u : SLOW_RATE));
    SPSR = (fast || F_CPU < 16000000ul) ? _BV(SPI2X) : 0u;
}

void ot_port_card_select(bool on)
{
    if (on) {
        PORTB &= (uint8_t)~_BV(CARD_SELECT);
    } else {
        PORTB |= _BV(CARD_SELECT);
    }
}

/* The divider of the bit rate at double speed, rounded to the nearest. An even one is the same rate at single speed,
 * which samples each bit more often; an odd one is closer than any at single speed. */
void ot_port_serial_start(uint32_t baud, bool transmit)
{
    uint16_t divider = (uint16_t)((F_CPU / 8u + baud / 2u) / baud);
    bool doubled = (divider & 1u) != 0u;
    UCSR0B = 0;
    UBRR0 = (uint16_t)((doubled ? divider : divider / 2u) - 1u);
    UCSR0A = doubled ? _BV(U2X0) : 0u;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = (uint8_t)(_BV(RXCIE0) | _BV(RXEN0) | (transmit ? _BV(TXEN0) : 0u));
}

void ot_port_serial_send(uint8_t byte)
{
    while ((UCSR0A & _BV(UDRE0)) == 0u) {
    }
    uint8_t state = ot_port_lock();
    UCSR0A = (uint8_t)((UCSR0A & _BV(U2X0)) | _BV(TXC0)); /* writing one clears it */
    UDR0 = byte;
    ot_port_unlock(state);
}

void ot_port_serial_drain(void)
{
    while ((UCSR0A & _BV(TXC0)) == 0u) {
    }
}

void ot_port_light(bool on)
{
    if (on) {
        PORTB |= _BV(LIGHT);
    } else {
        PORTB &= (uint8_t)~_BV(LIGHT);
    }
}

void ot_port_supply_start(void)
{
    ADMUX = ADC_BANDGAP;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | (F_CPU > 8000000ul ? _BV(ADPS0) : 0u); /* 125 kHz */
    supply_conversions = SUPPLY_SETTLE + 1u;
}

bool ot_port_supply_ready(uint16_t *supply_mv)
{
    if (supply_conversions == 0u || (ADCSRA & _BV(ADSC)) != 0u) {
        return false;
    }
    supply_conversions--;
    if (supply_conversions != 0u) {
        ADCSRA |= _BV(ADSC);
        return false;
    }
    uint16_t reading = ADC;
    *supply_mv = reading == 0u ? 0u : (uint16_t)(BANDGAP_MV * 1024ul / reading);
    ADCSRA = 0;
    return true;
}

/* Baud, gap and a CRC-16 over both, from the first byte of the EEPROM on. */
#define SETTINGS_BYTES 7u

static uint16_t settings_crc(const uint8_t *bytes)
{
    uint16_t crc = OT_CRC16_PACKET_START;
    for (uint8_t i = 0; i < SETTINGS_BYTES - 2u; i++) {
        crc = ot_crc16_add(crc, bytes[i]);
    }
    return crc;
}

bool ot_port_settings_load(uint32_t *baud, uint8_t *gap_bytes)
{
    uint8_t b[SETTINGS_BYTES];
    eeprom_read_block(b, (const void *)0, sizeof b);
    if (ot_get_u16(&b[SETTINGS_BYTES - 2u]) != settings_crc(b)) {
        return false;
    }
    *baud = ot_get_u32(b);
    *gap_bytes = b[4];
    return true;
}

void ot_port_settings_save(uint32_t baud, uint8_t gap_bytes)
{
    uint8_t b[SETTINGS_BYTES];
    ot_put_u32(b, baud);
    b[4] = gap_bytes;
    ot_put_u16(&b[SETTINGS_BYTES - 2u], settings_crc(b));
    eeprom_update_block(b, (void *)0, sizeof b);
}

uint8_t ot_port_reset_cause(void) { return reset_cause; }

uint8_t ot_port_board_code(void) { return BOARD_CODE; }

/* The reset flags are those of spec and chip alike: power-on, external, brown-out, watchdog from bit 0 up. Where a boot
 * loader has read and cleared them there is no telling: external is assumed, so that the desk is never locked out. The
 * price is the wait for a greeting, in which the line is not heard. */
static void take_reset_cause(void)
{
    reset_cause = MCUSR & 0x0fu;
    MCUSR = 0;
    if (reset_cause == 0u) {
        reset_cause = OT_RESET_CAUSE_EXTERNAL;
    }
}

void avr_start(void)
{
    take_reset_cause();
    wdt_disable();
    /* PD0 and PD1 stay inputs without pull-up: the tap and, in the field, nothing. */
    PORTB = _BV(CARD_SELECT) | _BV(CARD_MISO);
    DDRB = _BV(CARD_SELECT) | _BV(CARD_MOSI) | _BV(CARD_CLOCK) | _BV(LIGHT);
    TCCR2A = 0;
    TCCR2B = TIMER_DIVIDER;
    TIMSK2 = _BV(TOIE2);
}
