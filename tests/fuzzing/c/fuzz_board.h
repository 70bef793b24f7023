/* The logger on a computer, as firmware/port/host runs it, with what a fuzz target adds: time that passes faster, a desk
 * that can be heard, and an end to every wait. */
#ifndef FUZZ_BOARD_H
#define FUZZ_BOARD_H

#include <stdint.h>

#define FUZZ_LINE_MAX 16384u
#define FUZZ_SENT_MAX 262144u

/* What the line says: bytes, each a millisecond of the logger's time after the one before, and pauses. */
void fuzz_line_clear(void);
void fuzz_line_byte(uint8_t byte);
void fuzz_line_pause(uint32_t ms);
void fuzz_line_hold(void); /* what follows goes out when the logger has been quiet for 1.3 s */
void fuzz_line_packet(const uint8_t *body, uint16_t size); /* CRC-16 and COBS are added */

/* Start the chip; runs until the logger comes out of the desk, or at once begins to record; then `run_ms` more. Fails
 * when it needs more than `looks_max` looks at the clock. */
void fuzz_board_run(uint8_t reset_cause, uint32_t run_ms, uint32_t looks_max);

/* What the logger sent over the line. */
extern uint8_t fuzz_sent[FUZZ_SENT_MAX];
extern uint32_t fuzz_sent_count;

#endif
