/* The tapped line and the clock that stamps its bytes. */
#ifndef AVR_RECEIVE_H
#define AVR_RECEIVE_H

/* Let timer 2 count ticks. */
void avr_clock_start(void);

#endif
