#include "ot_frame.h"

#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_spec.h"

uint32_t ot_frame_seed(uint32_t journal_id, uint32_t block_number)
{
    return ot_crc32_add_u32(ot_crc32_add_u32(OT_CRC32_START, journal_id), block_number);
}

uint8_t ot_frame_tick_size(uint32_t offset)
{
    uint8_t size = 1;
    while (offset > 0x7fu) {
        offset >>= 7;
        size++;
    }
    return size;
}

uint8_t ot_frame_open(uint8_t *out, uint8_t code, uint16_t length, uint32_t tick_offset)
{
    uint8_t size = OT_FRAME_HEAD_SIZE;
    ot_put_u16(out, (uint16_t)(length | (uint16_t)((uint16_t)code << OT_FRAME_LENGTH_BITS)));
    while (tick_offset > 0x7fu) {
        out[size++] = (uint8_t)(tick_offset | 0x80u);
        tick_offset >>= 7;
    }
    out[size++] = (uint8_t)tick_offset;
    return size;
}

/* Read the LEB128 tick offset at frame->payload_at and move that on. */
static uint8_t parse_tick(const uint8_t *bytes, uint16_t size, ot_frame *frame)
{
    uint8_t shift = 0;
    uint8_t byte;
    frame->tick_offset = 0;
    do {
        if (frame->payload_at >= size) {
            return OT_SHORT_INPUT;
        }
        byte = bytes[frame->payload_at++];
        if (shift == 28u && byte > 0x0fu) {
            return OT_BAD_TICK;
        }
        frame->tick_offset |= (uint32_t)(byte & 0x7fu) << shift;
        shift = (uint8_t)(shift + 7u);
    } while ((byte & 0x80u) != 0u);
    return (byte == 0u && shift > 7u) ? OT_BAD_TICK : OT_OK;
}

uint8_t ot_frame_parse(const uint8_t *bytes, uint16_t size, uint32_t seed, ot_frame *frame)
{
    if (size < OT_FRAME_HEAD_SIZE) {
        return OT_SHORT_INPUT;
    }
    uint16_t head = ot_get_u16(bytes);
    frame->code = (uint8_t)(head >> OT_FRAME_LENGTH_BITS);
    frame->length = (uint16_t)(head & ((1u << OT_FRAME_LENGTH_BITS) - 1u));
    if (frame->code == 0u) {
        return OT_BAD_CODE;
    }
    frame->payload_at = OT_FRAME_HEAD_SIZE;
    uint8_t status = parse_tick(bytes, size, frame);
    if (status != OT_OK) {
        return status;
    }
    uint16_t end = (uint16_t)(frame->payload_at + frame->length);
    frame->size = (uint16_t)(end + OT_FRAME_CHECK_SIZE);
    if (frame->size > size) {
        return OT_BAD_LENGTH;
    }
    for (uint16_t i = 0; i < end; i++) {
        seed = ot_crc32_add(seed, bytes[i]);
    }
    return ot_get_u32(&bytes[end]) == (uint32_t)~seed ? OT_OK : OT_BAD_FRAME_CHECK;
}

uint8_t ot_message_decode(uint8_t code, const uint8_t *payload, uint16_t length, void *record)
{
    const ot_layout *layout = 0;
    if (code <= OT_MESSAGE_CODE_LAST) {
        ot_flash_copy(&layout, &ot_message_layouts[code], sizeof layout);
    }
    return layout == 0 ? OT_UNKNOWN_CODE : ot_record_decode(layout, payload, length, record);
}
