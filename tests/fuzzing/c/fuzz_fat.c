/* A hostile card: partition table, boot sector, directory, tables, journal header. The logger powers up on it and
 * records; it must come to an end, and write nowhere but into clusters of the volume that the file's chain may name.
 *
 * Input: which base card, then changes: a place (an index of the base's sectors, or FF and a sector number), an offset,
 * a count, the bytes. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz_board.h"
#include "fuzz_card.h"
#include "ot_bytes.h"
#include "ot_light.h"
#include "ot_logger.h"
#include "ot_spec.h"

#define READS_USUAL 1500u
/* The longest walk that the core allows: a root directory of 2,048 clusters of 128 sectors, their table entries, and a
 * file of 2^32 bytes in clusters of one sector; each sector up to three times. */
#define READS_BOUND (3u * (16u + 2048u * 129u + 65536u + 64u))
#define LOOKS_MAX 40000000ul

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Set in the environment, the card reads without an end: for images made to loop. */
static bool is_endless(void) { return getenv("OT_FUZZ_ENDLESS") != 0; }

static uint64_t data_start; /* sectors; of the volume as it says itself, counted without wrapping */
static uint64_t data_end;

/* Where the data of the volume lies, from the same bytes as the core, in 64 bits. False when there is no volume. */
static bool measure(void)
{
    uint8_t b[FUZZ_SECTOR];
    uint64_t first = 0;
    fuzz_card_look(0, b);
    if ((b[0] != 0xebu && b[0] != 0xe9u) || ot_get_u16(&b[11]) != FUZZ_SECTOR) {
        for (uint16_t at = 446; at < 510u; at = (uint16_t)(at + 16u)) {
            uint8_t kind = b[at + 4u];
            if (kind == 4u || kind == 6u || kind == 14u || kind == 11u || kind == 12u) {
                first = ot_get_u32(&b[at + 8u]);
                break;
            }
        }
    }
    fuzz_card_look((uint32_t)first, b);
    uint64_t total = ot_get_u16(&b[19]) != 0u ? ot_get_u16(&b[19]) : ot_get_u32(&b[32]);
    uint64_t table = ot_get_u16(&b[22]) != 0u ? ot_get_u16(&b[22]) : ot_get_u32(&b[36]);
    data_start = first + ot_get_u16(&b[14]) + table * b[16] + (ot_get_u16(&b[17]) + 15u) / 16u;
    data_end = first + total;
    return data_start < data_end;
}

static bool may_write(uint32_t sector) { return sector >= data_start && sector < data_end; }

static void change(const uint8_t *data, size_t size, const fuzz_base *base)
{
    size_t at = 0;
    while (size - at >= 4u) {
        uint32_t sector;
        if (data[at] == 0xffu) {
            if (size - at < 8u) {
                return;
            }
            sector = ot_get_u32(&data[at + 1u]);
            at += 5u;
        } else {
            sector = base->sectors[data[at] % base->sector_count].sector;
            at++;
        }
        uint16_t offset = ot_get_u16(&data[at]) % FUZZ_SECTOR;
        size_t count = data[at + 2u];
        at += 3u;
        count = count < size - at ? count : size - at;
        count = count < FUZZ_SECTOR - (size_t)offset ? count : FUZZ_SECTOR - (size_t)offset;
        uint8_t *bytes = fuzz_card_change(sector);
        if (bytes == 0) {
            return;
        }
        memcpy(&bytes[offset], &data[at], count);
        at += count;
    }
}

/* The file's blocks lie in ascending order, none twice, none at sector 0. */
static void judge(void)
{
    const ot_file *file = &ot_the_journal.file;
    uint32_t blocks = ot_the_journal.settings.blocks;
    uint32_t before = 0;
    for (uint32_t block = 0; block < blocks && block < 100000u; block++) {
        uint32_t sector = ot_fat_sector(file, block);
        if (sector <= before || !may_write(sector)) {
            fuzz_fail("a journal that is taken has a block outside the data, or two in one place");
        }
        before = sector;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1u || size > 2048u) {
        return 0;
    }
    const fuzz_base *base = &fuzz_bases[data[0] % fuzz_base_count];
    fuzz_card_insert(base, is_endless() ? 0u : READS_USUAL);
    change(&data[1], size - 1u, base);
    if (!measure()) {
        data_end = data_start;
    }
    fuzz_card_allow(may_write);
    fuzz_line_clear();
    for (uint16_t i = 0; i < 600u; i++) {
        fuzz_line_byte((uint8_t)i);
    }
    fuzz_board_run(OT_RESET_CAUSE_POWER_ON, 400, LOOKS_MAX);
    if (fuzz_card_reads() > READS_BOUND) {
        fuzz_fail("more sectors read than any card needs");
    }
    uint8_t state = ot_logger_mount(ot_light_poll);
    if (state == OT_CARD_STATE_READY || state == OT_CARD_STATE_FULL) {
        judge();
    }
    return 0;
}
