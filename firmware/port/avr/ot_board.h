/* The board that this port is for: its memory, tick and lights, from the spec. */
#ifndef OT_BOARD_H
#define OT_BOARD_H

#include "ot_board_atmega328p.h"

#endif
