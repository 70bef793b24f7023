/* The journal on the card: its header, where it goes on, and which sector a block belongs in. */
#ifndef OT_JOURNAL_H
#define OT_JOURNAL_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_fat.h"
#include "ot_spec.h"

/* What of the journal's header matters to the logger. */
typedef struct {
    uint32_t journal_id;
    uint32_t blocks;
    uint32_t baud;
    uint16_t close_ms;
    uint16_t supply_s;
    uint8_t gap_bytes;
    uint8_t when_full : 1;
    uint8_t has_sensors : 1; /* any at all: the rest of their settings is read when a run begins */
    uint8_t card_failed : 1; /* no setting: while the journal was opened */
} ot_settings;

typedef struct {
    ot_file file;
    ot_settings settings;
    uint32_t position; /* where the next block goes: 1 to blocks - 1 */
    uint32_t number;   /* the number it gets */
    uint16_t last_run; /* the newest, which may be the one being recorded; 0: none yet */
    uint16_t newest;   /* when it was opened: low half of the newest whole block's number */
} ot_journal;

/* Take the 512 bytes of a journal header from `next` and decode them. One of ot_errors. The flags of the sensors that are on
 * lie behind the rest in ot_the_work.journal_header then. */
uint8_t ot_journal_take_header(uint8_t (*next)(void), ot_head_journal_header *header) __attribute__((warn_unused_result));

/* Read the sensors' settings from the header. False when the card does not read. Out of range they are all off: the line is
 * logged all the same. */
bool ot_journal_read_sensors(const ot_journal *journal, ot_head_journal_sensors *settings) __attribute__((warn_unused_result));

/* Find file, header and tip. Returns one of ot_card_state. */
uint8_t ot_journal_open(ot_journal *journal) __attribute__((warn_unused_result));

/* Go on to the next block's place. False: the journal is full. */
bool ot_journal_advance(ot_journal *journal) __attribute__((warn_unused_result));

#endif
