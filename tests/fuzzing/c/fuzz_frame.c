/* One frame of any bytes. Input: flags, journal id, block number, the frame's bytes. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz_card.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_spec.h"

#define HEAD 9u
#define FLAG_RIGHT_CHECK 1u /* a fuzzer cannot guess 32 bits: the check is made right for it */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void put_check(uint8_t *bytes, const ot_frame *frame, uint32_t seed)
{
    uint16_t end = (uint16_t)(frame->size - OT_FRAME_CHECK_SIZE);
    for (uint16_t i = 0; i < end; i++) {
        seed = ot_crc32_add(seed, bytes[i]);
    }
    ot_put_u32(&bytes[end], (uint32_t)~seed);
}

static void look_at(const uint8_t *bytes, uint16_t size, const ot_frame *frame)
{
    uint64_t record[32]; /* more than any record */
    if (frame->size > size || frame->payload_at < 3u || frame->payload_at > 7u ||
        frame->size != (uint32_t)frame->payload_at + frame->length + OT_FRAME_CHECK_SIZE || frame->code == 0u) {
        fuzz_fail("a frame whose parts do not add up");
    }
    (void)ot_message_decode(frame->code, &bytes[frame->payload_at], frame->length, record);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < HEAD || size > HEAD + 600u) {
        return 0;
    }
    uint32_t seed = ot_frame_seed(ot_get_u32(&data[1]), ot_get_u32(&data[5]));
    uint16_t count = (uint16_t)(size - HEAD);
    uint8_t *bytes = malloc(count == 0u ? 1u : count); /* as long as it is, so that a byte too far is seen */
    ot_frame frame = {0, 0, 0, 0, 0};
    memcpy(bytes, &data[HEAD], count);
    uint8_t status = ot_frame_parse(bytes, count, seed, &frame);
    if (status == OT_BAD_FRAME_CHECK && (data[0] & FLAG_RIGHT_CHECK) != 0u) {
        put_check(bytes, &frame, seed);
        status = ot_frame_parse(bytes, count, seed, &frame);
        if (status != OT_OK) {
            fuzz_fail("a right check is refused");
        }
    }
    if (status == OT_OK) {
        look_at(bytes, count, &frame);
    }
    free(bytes);
    return 0;
}
