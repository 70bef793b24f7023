/* One block of any bytes, and every frame in it. Input: flags, then up to 600 bytes. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz_card.h"
#include "ot_block.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_spec.h"

#define FLAG_RIGHT_CHECK 1u
#define CHECK_AT (OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE)

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static uint8_t check(const uint8_t *bytes, uint16_t count, ot_block_header *header)
{
    ot_block_scan scan;
    ot_block_scan_start(&scan);
    for (uint16_t i = 0; i < count; i++) {
        ot_block_scan_add(&scan, bytes[i]);
    }
    return ot_block_scan_end(&scan, header);
}

static void walk(const uint8_t *bytes, const ot_block_header *header)
{
    uint32_t seed = ot_frame_seed(header->journal_id, header->block_number);
    uint16_t at = OT_BLOCK_HEADER_SIZE;
    uint16_t end = (uint16_t)(OT_BLOCK_HEADER_SIZE + header->used_bytes);
    uint64_t record[32];
    ot_frame frame;
    if (header->used_bytes > OT_BLOCK_SPACE || header->block_number == 0u) {
        fuzz_fail("a block that cannot be is taken");
    }
    while (at < end && ot_frame_parse(&bytes[at], (uint16_t)(end - at), seed, &frame) == OT_OK) {
        (void)ot_message_decode(frame.code, &bytes[at + frame.payload_at], frame.length, record);
        at = (uint16_t)(at + frame.size);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    ot_block_header header = {0, 0, 0, 0, 0, 0};
    if (size < 1u || size > 601u) {
        return 0;
    }
    uint16_t count = (uint16_t)(size - 1u);
    uint8_t *bytes = malloc(count == 0u ? 1u : count);
    memcpy(bytes, &data[1], count);
    uint8_t status = check(bytes, count, &header);
    if (status == OT_BAD_BLOCK_CHECK && (data[0] & FLAG_RIGHT_CHECK) != 0u) {
        uint32_t crc = OT_CRC32_START;
        for (uint16_t i = 0; i < CHECK_AT; i++) {
            crc = ot_crc32_add(crc, bytes[i]);
        }
        ot_put_u32(&bytes[CHECK_AT], (uint32_t)~crc);
        status = check(bytes, count, &header);
        if (status == OT_BAD_BLOCK_CHECK) {
            fuzz_fail("a right check is refused");
        }
    }
    if (status == OT_OK) {
        walk(bytes, &header);
    }
    free(bytes);
    return 0;
}
