/* The board that this port is for: its memory, tick and lights, from the spec. */
#ifndef OT_BOARD_H
#define OT_BOARD_H

#include <stdint.h>

#include "ot_board_atmega328p.h"

#define OT_LAST_IN_RAM

#define OT_DESK_BAUD OT_DESK_BAUD_ATMEGA328P_16MHZ

extern volatile uint8_t host_quick;
#define OT_RING_QUICK host_quick

#endif
