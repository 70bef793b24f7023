/* The board that this port is for: its memory, tick and lights, from the spec. */
#ifndef OT_BOARD_H
#define OT_BOARD_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#include "ot_board_atmega328p.h"

/* Where the stack, which grows down from the memory's end, would come to last. Not cleared at the start. */
#define OT_LAST_IN_RAM __attribute__((section(".noinit")))

#if F_CPU == OT_CLOCK_ATMEGA328P_16MHZ
#define OT_BOARD_CODE OT_BOARD_ATMEGA328P_16MHZ
#define OT_DESK_BAUD OT_DESK_BAUD_ATMEGA328P_16MHZ
#elif F_CPU == OT_CLOCK_ATMEGA328P_8MHZ
#define OT_BOARD_CODE OT_BOARD_ATMEGA328P_8MHZ
#define OT_DESK_BAUD OT_DESK_BAUD_ATMEGA328P_8MHZ
#else
#error "no such variant of this board in shared_spec/boards/atmega328p.toml"
#endif

/* What the sensors' interrupts keep (avr_sensors.c). */
typedef struct {
    volatile uint32_t edge_tick;     /* capture interrupt: of the edge that came */
    volatile uint32_t pulse_tick[2]; /* pin interrupt: of two pulses, the second after the first */
    volatile uint8_t pulse_count[2]; /* pin interrupt; main, while that is off: low byte of the count at each */
    volatile uint8_t pulse_step;     /* likewise: pulses timed */
    volatile bool edge;              /* capture interrupt sets, main clears */
    volatile uint16_t rounds;        /* overflow interrupt: of the counter; 8 bits are 10 ms of the fastest pulses */
    uint32_t counted;                /* main: rounds and counter when they were last read */
} ot_port_sensors;

/* A register without a purpose of its own, which the interrupt reads in one cycle. */
#define OT_RING_QUICK GPIOR1

#endif
