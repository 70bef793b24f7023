#include "ot_journal.h"

#include <string.h>

#include "ot_block.h"
#include "ot_card.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_port.h"
#include "ot_work.h"

#define NEIGHBOURS 4u     /* looked at before a damaged block is taken for the end */
#define LOOK_PAST 16u     /* blocks looked at one by one past the end */
#define DAMAGED_MAX 1024u /* damaged blocks left alone before giving up */
#define READ_TRIES 3u
#define RUNS_AHEAD 16u   /* runs that may have left nothing but damaged blocks */

static uint32_t lap_blocks(const ot_journal *j) { return j->settings.blocks - 1u; }

uint8_t ot_journal_take_header(uint8_t (*next)(void), ot_head_journal_header *header)
{
    uint8_t *bytes = ot_the_work.journal_header;
    uint32_t crc = OT_CRC32_START;
    uint32_t check = 0;
    for (uint16_t i = 0; i < OT_BLOCK_SIZE; i++) {
        uint8_t byte = next();
        if (i < OT_HEAD_JOURNAL_HEADER_SIZE) {
            bytes[i] = byte;
        }
        if (i == OT_HEAD_JOURNAL_SENSORS_AT) {
            bytes[OT_HEAD_JOURNAL_HEADER_SIZE] = byte;
        }
        if (i < OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE) {
            crc = ot_crc32_add(crc, byte);
        } else {
            check = (check >> 8) | ((uint32_t)byte << 24);
        }
    }
    if (check != (uint32_t)~crc) {
        return OT_BAD_BLOCK_CHECK;
    }
    return ot_record_decode(&ot_head_journal_header_layout, bytes, OT_HEAD_JOURNAL_HEADER_SIZE, header);
}

bool ot_journal_read_sensors(const ot_journal *journal, ot_head_journal_sensors *settings)
{
    uint8_t bytes[OT_HEAD_JOURNAL_SENSORS_SIZE];
    bool whole = false;
    for (uint8_t attempt = 0; attempt < READ_TRIES && !whole; attempt++) {
        if (ot_card_read_open(ot_fat_sector(&journal->file, 0))) {
            for (uint16_t i = 0; i < OT_BLOCK_SIZE; i++) {
                uint8_t byte = ot_card_read_byte();
                if (i >= OT_HEAD_JOURNAL_SENSORS_AT && i < OT_HEAD_JOURNAL_SENSORS_AT + sizeof bytes) {
                    bytes[i - OT_HEAD_JOURNAL_SENSORS_AT] = byte;
                }
            }
            whole = ot_card_read_close();
        }
    }
    if (whole && ot_record_decode(&ot_head_journal_sensors_layout, bytes, sizeof bytes, settings) != OT_OK) {
        memset(settings, 0, sizeof *settings);
    }
    return whole;
}

static OT_NOINLINE uint8_t read_header(ot_journal *j)
{
    ot_head_journal_header header;
    ot_settings *s = &j->settings;
    uint8_t status = OT_SHORT_INPUT;
    for (uint8_t attempt = 0; attempt < READ_TRIES && status == OT_SHORT_INPUT; attempt++) {
        if (ot_card_read_open(ot_fat_sector(&j->file, 0))) {
            status = ot_journal_take_header(ot_card_read_byte, &header);
            if (!ot_card_read_close()) {
                status = OT_SHORT_INPUT;
            }
        }
    }
    s->journal_id = header.journal_id;
    s->blocks = header.blocks;
    s->baud = header.baud;
    s->close_ms = header.close_ms;
    s->supply_s = header.supply_s;
    s->when_full = header.when_full & 1u;
    s->has_sensors = ot_the_work.journal_header[OT_HEAD_JOURNAL_HEADER_SIZE] != 0u;
    s->gap_bytes = header.gap_bytes;
    return status;
}

/* Read the block at `position` of the file; `header` is filled when the magic is right. One of ot_errors; OT_SHORT_INPUT
 * when the card does not read it. `blank` tells a block of one repeated byte, as a fresh journal has. */
static uint8_t read_block(const ot_journal *j, uint32_t position, ot_block_header *header, bool *blank)
{
    ot_block_scan *scan = &ot_the_work.scan;
    uint32_t sector = ot_fat_sector(&j->file, position);
    *blank = false;
    for (uint8_t attempt = 0; attempt < READ_TRIES; attempt++) {
        if (!ot_card_read_open(sector)) {
            continue;
        }
        ot_block_scan_start(scan);
        for (uint16_t i = 0; i < OT_BLOCK_SIZE; i++) {
            ot_block_scan_add(scan, ot_card_read_byte());
        }
        if (ot_card_read_close()) {
            *blank = scan->all_same;
            return ot_block_scan_end(scan, header);
        }
    }
    return OT_SHORT_INPUT;
}

/* The search keeps the newest block known so far in the journal itself; position 0: none. */
enum { PLACE_FREE, PLACE_NEWER, PLACE_DAMAGED };

/* Whether the card still reads what it read before. */
static OT_NOINLINE bool card_reads(const ot_journal *j)
{
    ot_block_header header;
    bool blank;
    return read_block(j, 0, &header, &blank) != OT_SHORT_INPUT;
}

/* What lies at `position`: a newer block of this journal, in its place, to which the tip then moves; something damaged,
 * which may have been one; or what may be written over: a blank, another journal's block, an earlier lap's. Nothing is
 * looked at any more once the card has stopped reading. */
static OT_NOINLINE uint8_t look_at(ot_journal *j, uint32_t position)
{
    ot_block_header header;
    bool blank;
    if (j->settings.card_failed) {
        return PLACE_FREE;
    }
    header.journal_id = (uint32_t)~j->settings.journal_id;
    uint8_t status = read_block(j, position, &header, &blank);
    if (status == OT_SHORT_INPUT && !card_reads(j)) {
        j->settings.card_failed = true;
    }
    bool newer = header.journal_id == j->settings.journal_id && header.block_number > j->number &&
                 (header.block_number - 1u) % lap_blocks(j) == position - 1u;
    if (status != OT_OK) {
        /* Its frames may be sound: no other run may get the number they bear. */
        if (newer && (uint16_t)(header.run_number - j->last_run) <= RUNS_AHEAD) {
            j->last_run = header.run_number;
        }
        return blank ? PLACE_FREE : PLACE_DAMAGED;
    }
    if (!newer) {
        return PLACE_FREE;
    }
    j->position = position;
    j->number = header.block_number;
    j->last_run = header.run_number;
    return PLACE_NEWER;
}

/* Look at `position` and, while it is damaged, at the few after it. */
static OT_NOINLINE bool newer_from(ot_journal *j, uint32_t position)
{
    uint8_t place = PLACE_DAMAGED;
    for (uint8_t i = 0; i < NEIGHBOURS && place == PLACE_DAMAGED && position < j->settings.blocks; i++) {
        place = look_at(j, position++);
    }
    return place == PLACE_NEWER;
}

/* Bisection: blocks of the newest lap fill the file from its start to the tip, but for holes. */
static void bisect(ot_journal *j)
{
    uint32_t end = j->settings.blocks;
    while (end - j->position > 1u) {
        uint32_t middle = j->position + (end - j->position) / 2u;
        if (!newer_from(j, middle)) {
            end = middle;
        }
    }
}

/* Behind a hole there may be more: look further and further out from `at`. */
static OT_NOINLINE bool look_far(ot_journal *j, uint32_t at)
{
    for (uint32_t distance = 1; distance < j->settings.blocks - at; distance *= 2u) {
        if (newer_from(j, at + distance)) {
            return true;
        }
    }
    return false;
}

/* Look at the blocks behind the tip one by one. The tip moves on to newer ones and past damaged ones: a place that may
 * hold something of ours, though damaged, is left alone. Looked at is one place more than damage is passed over, since
 * there recording may have gone on when a place read badly that now reads well. False when there is more damage than can
 * be. */
static bool look_past(ot_journal *j)
{
    uint16_t damaged = 0;
    uint32_t last = j->position;
    for (uint32_t at = last + 1u;
         at < j->settings.blocks && (at - j->position <= LOOK_PAST + 1u || at == last + 1u) && damaged < DAMAGED_MAX; at++) {
        uint8_t place = look_at(j, at);
        if (place == PLACE_NEWER) {
            last = at;
        } else if (place == PLACE_DAMAGED && (at - j->position <= LOOK_PAST || at == last + 1u)) {
            last = at;
            damaged++;
        }
    }
    j->newest = (uint16_t)j->number;
    j->number += last - j->position;
    j->position = last;
    return damaged < DAMAGED_MAX;
}

/* A wrapped journal whose first blocks are damaged looks as if the lap before were the newest: so there the search
 * starts once more from the file's beginning. */
static OT_NOINLINE bool find_tip(ot_journal *j)
{
    j->position = 0;
    j->number = 0;
    j->last_run = 0;
    j->settings.card_failed = false;
    (void)newer_from(j, 1);
    do {
        bisect(j);
    } while (look_far(j, j->position) || (j->settings.when_full != OT_WHEN_FULL_STOP && look_far(j, 0)));
    return look_past(j);
}

uint8_t ot_journal_open(ot_journal *j)
{
    uint32_t blocks;
    uint8_t state = ot_fat_find(&j->file, &blocks);
    if (state != OT_CARD_STATE_READY) {
        return state;
    }
    uint8_t status = read_header(j);
    if (status == OT_SHORT_INPUT) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    if (status != OT_OK || j->settings.blocks > blocks) {
        return OT_CARD_STATE_NO_JOURNAL;
    }
    bool found = find_tip(j);
    if (j->settings.card_failed) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    if (!found) {
        return OT_CARD_STATE_DAMAGED;
    }
    return ot_journal_advance(j) ? OT_CARD_STATE_READY : OT_CARD_STATE_FULL;
}

bool ot_journal_advance(ot_journal *j)
{
    if (j->position + 1u >= j->settings.blocks) {
        if (j->settings.when_full == OT_WHEN_FULL_STOP) {
            return false;
        }
        j->position = 0;
    }
    j->position++;
    j->number++;
    return true;
}
