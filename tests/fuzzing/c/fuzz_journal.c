/* A hostile journal on a sound card: the search for its tip must come to an end, and the logger go on inside it.
 *
 * Input: which base card, when_full, blocks the header claims (two bytes), then what lies at positions 1 and on, each a
 * kind and its values; the checks are made right. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "fuzz_board.h"
#include "fuzz_card.h"
#include "ot_block.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_light.h"
#include "ot_logger.h"
#include "ot_record.h"
#include "ot_spec.h"

#define JOURNAL_ID 0x1badcafeul
#define CHECK_AT (OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE)
#define LOOKS_MAX 40000000ul

enum { KIND_FILL, KIND_NEXT, KIND_NUMBER, KIND_FOREIGN, KIND_DAMAGED, KIND_ZERO, KIND_HALF, KIND_REPEAT, KINDS };

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static const fuzz_base *base;

static bool may_write(uint32_t sector)
{
    for (uint32_t i = 1; i < base->journal_blocks && i < ot_the_journal.settings.blocks; i++) {
        if (base->journal[i] == sector) {
            return true;
        }
    }
    return false;
}

static void put_check(uint8_t *bytes)
{
    uint32_t crc = OT_CRC32_START;
    for (uint16_t i = 0; i < CHECK_AT; i++) {
        crc = ot_crc32_add(crc, bytes[i]);
    }
    ot_put_u32(&bytes[CHECK_AT], (uint32_t)~crc);
}

static void put_header(uint8_t when_full, uint32_t blocks)
{
    ot_head_journal_header header = {.when_full = when_full,
                                     .journal_id = JOURNAL_ID,
                                     .blocks = blocks,
                                     .baud = 57600,
                                     .gap_bytes = 4,
                                     .close_ms = 700,
                                     .supply_s = 60,
                                     .created_utc_s = 0};
    uint8_t *bytes = fuzz_card_change(base->journal[0]);
    if (bytes != 0) {
        memset(bytes, 0, FUZZ_SECTOR);
        (void)ot_record_encode(&ot_head_journal_header_layout, &header, bytes);
        put_check(bytes);
    }
}

static void put_block(uint8_t *bytes, uint32_t journal_id, uint32_t number, uint16_t run)
{
    ot_block_header header = {OT_BLOCK_VERSION, 0, journal_id, number, run, 1000};
    memset(bytes, 0, FUZZ_SECTOR);
    ot_block_header_put(bytes, &header);
    put_check(bytes);
}

typedef struct {
    const uint8_t *data;
    size_t left;
} input;

static uint8_t take(input *in)
{
    if (in->left == 0u) {
        return 0;
    }
    in->left--;
    return *in->data++;
}

static void fill(input *in)
{
    uint32_t number = 0;
    uint8_t kind = KIND_FILL;
    uint8_t repeat = 0;
    uint16_t run = 1;
    for (uint32_t at = 1; at < base->journal_blocks && (in->left != 0u || repeat != 0u); at++) {
        if (repeat != 0u) {
            repeat--;
        } else {
            kind = take(in) % KINDS;
            if (kind == KIND_REPEAT) {
                kind = KIND_NEXT;
                repeat = take(in);
                run++;
            }
        }
        uint8_t *bytes = fuzz_card_change(base->journal[at]);
        if (kind == KIND_FILL || bytes == 0) {
            continue;
        }
        if (kind == KIND_NUMBER) {
            number = (uint32_t)take(in) | (uint32_t)take(in) << 8 | (uint32_t)take(in) << 24;
        } else {
            number++;
        }
        put_block(bytes, kind == KIND_FOREIGN ? JOURNAL_ID + 1u : JOURNAL_ID, number, run);
        if (kind == KIND_DAMAGED) {
            bytes[take(in)] ^= 0x10u;
        } else if (kind == KIND_ZERO) {
            memset(bytes, 0, FUZZ_SECTOR);
        } else if (kind == KIND_HALF) {
            memset(&bytes[FUZZ_SECTOR / 2u], 0xff, FUZZ_SECTOR / 2u);
        }
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 4u || size > 1024u) {
        return 0;
    }
    input in = {&data[4], size - 4u};
    base = &fuzz_bases[data[0] % fuzz_base_count];
    fuzz_card_insert(base, 0);
    put_header((uint8_t)(data[1] & 1u), ot_get_u16(&data[2]) % (base->journal_blocks + 3u));
    fill(&in);
    fuzz_card_allow(may_write);
    fuzz_line_clear();
    for (uint16_t i = 0; i < 700u; i++) {
        fuzz_line_byte((uint8_t)i);
    }
    fuzz_board_run(OT_RESET_CAUSE_POWER_ON, 1000, LOOKS_MAX);
    uint32_t before = fuzz_card_reads();
    uint8_t state = ot_logger_mount(ot_light_poll);
    /* Every newer block may start the search anew, and each search looks at the places of a bisection and of two walks in
     * doubling steps, at up to four blocks each. */
    if (fuzz_card_reads() - before > 64u + (base->journal_blocks + 2u) * 3u * 4u * 10u) {
        fuzz_fail("the search for the tip reads too much");
    }
    if (state == OT_CARD_STATE_READY &&
        (ot_the_journal.position == 0u || ot_the_journal.position >= ot_the_journal.settings.blocks ||
         ot_the_journal.number == 0u || ot_the_journal.settings.blocks > base->journal_blocks)) {
        fuzz_fail("the tip lies outside the journal");
    }
    return 0;
}
