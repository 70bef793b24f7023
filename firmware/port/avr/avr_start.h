/* Pins, timer and reset cause: everything that must stand before interrupts are on. */
#ifndef AVR_START_H
#define AVR_START_H

void avr_start(void);

#endif
