/* The tapped line and the clock that stamps its bytes. */
#ifndef AVR_RECEIVE_H
#define AVR_RECEIVE_H

/* Deal with bytes that wait while an EEPROM write keeps the interrupt that would from coming. */
void avr_receive_drain(void);

/* Let timer 2 count ticks. */
void avr_clock_start(void);

#endif
