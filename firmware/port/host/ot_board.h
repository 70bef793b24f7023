/* The board that this port is for: its memory, tick and lights, from the spec. */
#ifndef OT_BOARD_H
#define OT_BOARD_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_board_atmega328p.h"

#define OT_LAST_IN_RAM

#define OT_DESK_BAUD OT_DESK_BAUD_ATMEGA328P_16MHZ

/* Where each input's script stands; the scripts themselves are the test's. */
typedef struct {
    uint32_t armed_at; /* the event input's edge that was next when it was armed */
    uint32_t counted;  /* pulses told of */
    uint32_t timed;    /* pulses there were when the period was last asked for */
    bool armed;
} ot_port_sensors;

extern volatile uint8_t host_quick;
#define OT_RING_QUICK host_quick

#endif
