/* What the core asks of a board. Each port implements it; the core knows no registers. */
#ifndef OT_PORT_H
#define OT_PORT_H

#include <stdbool.h>
#include <stdint.h>

/* The card's bus. */
void ot_port_spi_fast(bool fast); /* false: 100 to 400 kHz, for the card's start */
void ot_port_card_select(bool on);

uint8_t ot_port_spi(uint8_t out); /* one byte out; returns the one that came in */

/* The registers of the checks that a block's bytes go through on their way to the card. */
typedef struct {
    uint32_t block; /* CRC-32 of the block */
    uint32_t frame; /* CRC-32 of the frame */
    uint16_t card;  /* CRC-16 of the card's data */
} ot_checks;

/* Send bytes and add each to all three checks. Everything the receiver says comes through here, and how long it takes
 * decides what a stall of the card may last: a port may do it by hand. */
void ot_port_spi_put(const uint8_t *bytes, uint16_t count, ot_checks *checks);

/* Ticks since the chip started; wraps. */
uint32_t ot_port_tick(void);

/* Keep the receive interrupt out for a few instructions. */
uint8_t ot_port_lock(void);
void ot_port_unlock(uint8_t state);

/* The serial line: `stop` returns when nothing of it is on its way to the ring any more. Without `transmit` the transmitter stays off and its pin an undriven input. */
void ot_port_serial_stop(void);
void ot_port_serial_start(uint32_t baud, bool transmit);
void ot_port_serial_send(uint8_t byte);
void ot_port_serial_drain(void); /* returns when the last byte has left the chip */

void ot_port_light(bool on);

/* Supply voltage: start a measurement; `ready` gives it once, in mV, when it is done. */
void ot_port_supply_start(void);
bool ot_port_supply_ready(uint16_t *supply_mv);

/* What the board remembers without a card: the line's settings. False when there is nothing valid. */
bool ot_port_settings_load(uint32_t *baud, uint8_t *gap_bytes);
void ot_port_settings_save(uint32_t baud, uint8_t gap_bytes);

/* Facts of this board and this start. */
uint8_t ot_port_reset_cause(void); /* flags of ot_reset_cause */
uint8_t ot_port_board_code(void);

#endif
