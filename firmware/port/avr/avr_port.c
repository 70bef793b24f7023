/* The ATmega328P port: all registers of this board are touched in this folder and nowhere else.
 *
 * Register facts: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (DS40002061A). */
#include "ot_port.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>

#include "avr_receive.h"
#include "avr_start.h"
#include "ot_board.h"
#include "ot_bytes.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_spec.h"

#if F_CPU == OT_CLOCK_ATMEGA328P_16MHZ
#define SLOW_RATE (_BV(SPR1))     /* 64: 250 kHz */
#else
#define SLOW_RATE (_BV(SPR0))     /* 16, doubled below to 32: 250 kHz */
#endif

#define CARD_SELECT PB2
#define CARD_MOSI PB3
#define CARD_MISO PB4
#define CARD_CLOCK PB5
#define LIGHT PB1
#define ADC_BANDGAP (_BV(REFS0) | 0x0eu) /* AVCC as reference, 1.1 V bandgap as input */
#define ADC_CONVERT (_BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | (F_CPU > 8000000ul ? _BV(ADPS0) : 0u)) /* 125 kHz */
#define BANDGAP_MV 1100ul
#define SUPPLY_SETTLE 4u /* conversions thrown away while the bandgap settles */

/* Main loop only. */
static struct {
    uint8_t reset_cause : 4;        /* written before interrupts are on */
    uint8_t supply_conversions : 4; /* still to come before one counts; 0: none is under way */
} port;

/* POWERED since this firmware first ran after power-up; whatever memory comes up with before. Written once, before
 * interrupts are on. */
#define POWERED 0x4f54u
static uint16_t powered_mark __attribute__((section(".noinit")));

uint8_t ot_port_lock(void)
{
    uint8_t state = SREG;
    cli();
    return state;
}

void ot_port_unlock(uint8_t state) { SREG = state; }

uint8_t ot_port_spi(uint8_t out)
{
    SPDR = out;
    while ((SPSR & _BV(SPIF)) == 0u) {
    }
    return SPDR;
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

bool ot_port_serial_ready(void) { return (UCSR0A & _BV(UDRE0)) != 0u; }

void ot_port_serial_send(uint8_t byte)
{
    while (!ot_port_serial_ready()) {
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
    ADCSRA = ADC_CONVERT;
    port.supply_conversions = SUPPLY_SETTLE + 1u;
}

bool ot_port_supply_busy(void) { return port.supply_conversions != 0u; }

bool ot_port_supply_ready(uint16_t *supply_mv)
{
    if (port.supply_conversions == 0u || (ADCSRA & _BV(ADSC)) != 0u) {
        return false;
    }
    port.supply_conversions--;
    if (port.supply_conversions != 0u) {
        ADCSRA |= _BV(ADSC);
        return false;
    }
    uint16_t reading = ADC;
    *supply_mv = reading == 0u ? 0u : (uint16_t)(BANDGAP_MV * 1024ul / reading);
    ADCSRA = 0;
    return true;
}

void ot_port_analogue_start(uint8_t input)
{
    ADMUX = (uint8_t)(_BV(REFS0) | input);
    ADCSRA = ADC_CONVERT;
}

bool ot_port_analogue_ready(uint16_t *reading)
{
    if ((ADCSRA & _BV(ADSC)) != 0u) {
        return false;
    }
    *reading = ADC;
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

/* The interrupt enable bit beside these is in use (avr_receive.c): the bits are set one by one. */
static uint8_t eeprom_read(uint8_t at)
{
    while ((EECR & _BV(EEPE)) != 0u) {
    }
    EEAR = at;
    EECR |= _BV(EERE);
    return EEDR;
}

static void eeprom_update(uint8_t at, uint8_t value)
{
    if (eeprom_read(at) == value) {
        return;
    }
    EEDR = value;
    uint8_t state = ot_port_lock();
    EECR |= _BV(EEMPE);
    EECR |= _BV(EEPE);
    ot_port_unlock(state);
    while ((EECR & _BV(EEPE)) != 0u) {
        avr_receive_drain();
    }
}

bool ot_port_settings_load(uint32_t *baud, uint8_t *gap_bytes)
{
    uint8_t b[SETTINGS_BYTES];
    for (uint8_t i = 0; i < SETTINGS_BYTES; i++) {
        b[i] = eeprom_read(i);
    }
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
    for (uint8_t i = 0; i < SETTINGS_BYTES; i++) {
        eeprom_update(i, b[i]);
    }
}

uint8_t ot_port_reset_cause(void) { return port.reset_cause; }

uint8_t ot_port_board_code(void) { return OT_BOARD_CODE; }

/* The reset flags are those of spec and chip alike: power-on, external, brown-out, watchdog from bit 0 up. Where a boot
 * loader has read and cleared them, the mark tells: memory keeps it over every reset but not without power. Should memory
 * have kept it over a very short cut, the desk is listened for in vain, as after an external reset. */
static void take_reset_cause(void)
{
    port.reset_cause = (uint8_t)MCUSR & 0x0fu;
    MCUSR = 0;
    if (port.reset_cause == 0u) {
        port.reset_cause = powered_mark == POWERED ? OT_RESET_CAUSE_EXTERNAL : OT_RESET_CAUSE_POWER_ON;
    }
    powered_mark = POWERED;
}

void avr_start(void)
{
    take_reset_cause();
    wdt_disable();
    /* PD0 and PD1 stay inputs without pull-up: the tap and, in the field, nothing. */
    PORTB = _BV(CARD_SELECT) | _BV(CARD_MISO);
    DDRB = _BV(CARD_SELECT) | _BV(CARD_MOSI) | _BV(CARD_CLOCK) | _BV(LIGHT);
    avr_clock_start();
}
