/* The logger: from power-up to frames on the card. */
#ifndef OT_LOGGER_H
#define OT_LOGGER_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_journal.h"

#define OT_FIRMWARE_MAJOR 0u
#define OT_FIRMWARE_MINOR 1u
#define OT_FIRMWARE_PATCH 0u

extern ot_journal ot_the_journal;

/* Start listening at once, with the settings the board remembers; then desk or field. */
void ot_logger_start(void);

/* One turn of the main loop. */
void ot_logger_poll(void);

/* Hand the payload of this run's start to `put`, OT_MESSAGE_RUN_START_SIZE bytes. */
void ot_logger_describe_run(void (*put)(const uint8_t *bytes, uint16_t count));

/* Start the card and open the journal. One of ot_card_state. `idle` runs while waiting. */
uint8_t ot_logger_mount(void (*idle)(void));

#endif
