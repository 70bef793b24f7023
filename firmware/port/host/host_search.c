/* Frames of a damaged block, found as offtake.journal.frames finds them, by the core's own frame reader. */
#include <stdint.h>

#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_spec.h"

#include "host_corrupt.h"

#define FRAME_SIZE_MIN (OT_FRAME_HEAD_SIZE + 1u + OT_FRAME_CHECK_SIZE)
#define CHECK_AT (OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE)
#define SEEDS_MAX 9u

typedef struct {
    uint32_t numbers[SEEDS_MAX];
    uint32_t seeds[SEEDS_MAX];
    uint8_t count;
} seed_list;

static void add_number(seed_list *list, uint32_t journal_id, uint32_t number)
{
    for (uint8_t i = 0; i < list->count; i++) {
        if (list->numbers[i] == number) {
            return;
        }
    }
    list->numbers[list->count] = number;
    list->seeds[list->count++] = ot_frame_seed(journal_id, number);
}

/* The number in the damaged block's own header comes first, unless that says what cannot be. */
static void list_seeds(seed_list *list, const uint8_t *block, uint32_t journal_id, const uint32_t *numbers, uint8_t count)
{
    uint32_t form = ot_get_u16(&block[OT_BLOCK_FORM_AT]);
    uint32_t used = (form >> OT_BLOCK_USED_BYTES_SHIFT) & OT_BLOCK_USED_BYTES_MASK;
    uint32_t version = (form >> OT_BLOCK_VERSION_SHIFT) & OT_BLOCK_VERSION_MASK;
    uint32_t own = ot_get_u32(&block[OT_BLOCK_BLOCK_NUMBER_AT]);
    list->count = 0;
    if (block[OT_BLOCK_MAGIC_AT] == OT_BLOCK_MAGIC && version == OT_BLOCK_VERSION && used <= OT_BLOCK_SPACE &&
        ot_get_u32(&block[OT_BLOCK_JOURNAL_ID_AT]) == journal_id && own >= 1u) {
        add_number(list, journal_id, own);
    }
    for (uint8_t i = 0; i < count; i++) {
        add_number(list, journal_id, numbers[i]);
    }
}

static uint16_t size_min(uint8_t code)
{
    const ot_layout *layout = code <= OT_MESSAGE_CODE_LAST ? ot_message_layouts[code] : 0;
    return layout == 0 ? UINT16_MAX : layout->size_min;
}

/* At an offset that is only tried a frame must be a known message with a length that it can have. */
static uint8_t may_start(const uint8_t *block, uint16_t at)
{
    uint16_t head = ot_get_u16(&block[at]);
    uint16_t length = (uint16_t)(head & ((1u << OT_FRAME_LENGTH_BITS) - 1u));
    return length >= size_min((uint8_t)(head >> OT_FRAME_LENGTH_BITS)) && at + FRAME_SIZE_MIN + length <= CHECK_AT;
}

/* Whether a check that failed would have passed as one of 16 bits, its halves xored. */
static uint8_t folded_check_holds(const uint8_t *bytes, uint32_t seed, const ot_frame *frame)
{
    uint16_t end = (uint16_t)(frame->size - OT_FRAME_CHECK_SIZE);
    for (uint16_t i = 0; i < end; i++) {
        seed = ot_crc32_add(seed, bytes[i]);
    }
    uint32_t differs = ot_get_u32(&bytes[end]) ^ (uint32_t)~seed;
    return (uint16_t)differs == (uint16_t)(differs >> 16);
}

static uint8_t try_frame(const uint8_t *block, uint16_t at, uint32_t seed, uint8_t weak, ot_frame *frame, uint64_t *compared)
{
    uint8_t status = ot_frame_parse(&block[at], (uint16_t)(CHECK_AT - at), seed, frame);
    if (status == OT_BAD_FRAME_CHECK) {
        ++*compared;
        return weak != 0u && folded_check_holds(&block[at], seed, frame) != 0u;
    }
    return status == OT_OK;
}

uint8_t host_search(const uint8_t *block, uint32_t journal_id, const uint32_t *numbers, uint8_t number_count, uint8_t weak,
                    host_found *found, uint64_t *compared)
{
    seed_list list;
    list_seeds(&list, block, journal_id, numbers, number_count);
    uint8_t count = 0;
    uint16_t at = OT_BLOCK_HEADER_SIZE;
    uint16_t anchor = at;
    while (at + FRAME_SIZE_MIN <= CHECK_AT && count < HOST_FOUND_MAX) {
        uint8_t taken = 0;
        if (at == anchor || may_start(block, at) != 0u) {
            for (uint8_t i = 0; i < list.count && taken == 0u; i++) {
                ot_frame frame = {0, 0, 0, 0, 0};
                if (try_frame(block, at, list.seeds[i], weak, &frame, compared) != 0u) {
                    found[count++] = (host_found){list.numbers[i], at, frame.size, frame.code, 0};
                    at = (uint16_t)(at + frame.size);
                    anchor = at;
                    taken = 1;
                }
            }
        }
        if (taken == 0u) {
            at++;
        }
    }
    return count;
}
