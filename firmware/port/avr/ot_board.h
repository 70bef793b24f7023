/* The board that this port is for: its memory, tick and lights, from the spec. */
#ifndef OT_BOARD_H
#define OT_BOARD_H

#include <avr/io.h>

#include "ot_board_atmega328p.h"

/* Where the stack, which grows down from the memory's end, would come to last. Not cleared at the start. */
#define OT_LAST_IN_RAM __attribute__((section(".noinit")))

/* A register without a purpose of its own, which the interrupt reads in one cycle. */
#define OT_RING_QUICK GPIOR1

#endif
