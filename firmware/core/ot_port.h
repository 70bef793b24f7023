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
bool ot_port_serial_ready(void); /* a byte can be sent without a wait */
void ot_port_serial_send(uint8_t byte);
void ot_port_serial_drain(void); /* returns when the last byte has left the chip */

void ot_port_light(bool on);

/* Supply voltage: start a measurement; `ready` gives it once, in mV, when it is done. */
void ot_port_supply_start(void);
bool ot_port_supply_busy(void);
bool ot_port_supply_ready(uint16_t *supply_mv);

/* The sensors. What a port keeps for them it keeps in ot_port_sensors, defined in its ot_board.h and placed in
 * ot_the_memory.on.sensors: it exists only while a sensor is on. */
void ot_port_sensors_start(uint8_t sensors); /* flags of ot_sensor; all others go off */

/* Analogue inputs 0 and 1 against the supply: one conversion, 10 bits. Not while the supply is measured. */
void ot_port_analogue_start(uint8_t input);
bool ot_port_analogue_ready(uint16_t *reading);

/* The event input. `arm` tells the level and waits for one edge away from it; it returns true, with the tick, when the edge
 * came before it could be waited for. `taken` gives an edge that came, once, with its own tick. */
bool ot_port_event_arm(bool *high, uint32_t *tick) __attribute__((warn_unused_result));
bool ot_port_event_taken(uint32_t *tick);

/* Pulses since the last call; and the ticks between two neighbouring ones that came since the last call of `period`, 0
 * when there were none or OT_PULSE_PERIOD_MAX or more lay between: in microseconds that would not fit 32 bits. */
#define OT_PULSE_PERIOD_MAX 1000000000ul /* 4,000 s */
uint32_t ot_port_pulses(void);
uint32_t ot_port_pulse_period(void);

/* The two-wire bus, driven by software: let go of the lines in `high`, hold the others low, and wait for half a clock. */
#define OT_WIRE_DATA 1u
#define OT_WIRE_CLOCK 2u
void ot_port_wire(uint8_t high);
uint8_t ot_port_wire_levels(void);

/* What the board remembers without a card: the line's settings. False when there is nothing valid. A gap with
 * OT_GAP_SENSORS set says that the journal has sensors on. */
#define OT_GAP_SENSORS 0x80u
bool ot_port_settings_load(uint32_t *baud, uint8_t *gap_bytes);
void ot_port_settings_save(uint32_t baud, uint8_t gap_bytes);

/* Facts of this board and this start. */
uint8_t ot_port_reset_cause(void); /* flags of ot_reset_cause */
uint8_t ot_port_board_code(void);

#endif
