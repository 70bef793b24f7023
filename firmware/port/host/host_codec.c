/* The core's encoders and decoders for a computer. */
#include <string.h>

#include "ot_block.h"
#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_record.h"
#include "ot_spec.h"

#include "host_api.h"

#define GROUP_MESSAGES 0u

static const ot_layout *packet_layout(uint8_t kind)
{
    switch (kind) {
#define CASE(NAME, name)    \
    case OT_PACKET_##NAME: \
        return &ot_packet_##name##_layout
        CASE(GREET, greet);
        CASE(GREETING, greeting);
        CASE(DESCRIBE, describe);
        CASE(DESCRIPTION, description);
        CASE(READ, read);
        CASE(DATA, data);
        CASE(DONE, done);
        CASE(SPEED, speed);
        CASE(SPEED_SET, speed_set);
        CASE(HEADER, header);
        CASE(HEADER_WRITTEN, header_written);
        CASE(LEAVE, leave);
        CASE(LEAVING, leaving);
        CASE(REFUSED, refused);
#undef CASE
    default:
        return 0;
    }
}

static const ot_layout *find_layout(uint8_t group, uint8_t code)
{
    if (group != GROUP_MESSAGES) {
        return packet_layout(code);
    }
    return code <= OT_MESSAGE_CODE_LAST ? ot_message_layouts[code] : 0;
}

static uint8_t kind_of(const ot_field *field) { return field->kind & OT_KIND_MASK; }

static int64_t load(const uint8_t *at, const ot_field *field)
{
    uint32_t value = 0;
    uint16_t half;
    switch (field->size) {
    case 1:
        value = *at;
        break;
    case 2:
        memcpy(&half, at, sizeof half);
        value = half;
        break;
    default:
        memcpy(&value, at, sizeof value);
        break;
    }
    uint32_t sign = (uint32_t)1 << (8u * field->size - 1u);
    return kind_of(field) == OT_KIND_SIGNED && (value & sign) != 0u ? (int64_t)value - 2 * (int64_t)sign : (int64_t)value;
}

static void store(uint8_t *at, const ot_field *field, int64_t value)
{
    uint8_t byte = (uint8_t)value;
    uint16_t half = (uint16_t)value;
    uint32_t word = (uint32_t)value;
    memcpy(at, field->size == 1u ? (const void *)&byte : field->size == 2u ? (const void *)&half : (const void *)&word, field->size);
}

static int is_number(const ot_field *field)
{
    return kind_of(field) == OT_KIND_UNSIGNED || kind_of(field) == OT_KIND_SIGNED;
}

uint8_t host_decode(uint8_t group, uint8_t code, const uint8_t *bytes, uint16_t size, int64_t *values, uint8_t *count)
{
    uint8_t record[256] = {0};
    const ot_layout *layout = find_layout(group, code);
    if (layout == 0) {
        return OT_UNKNOWN_CODE;
    }
    uint8_t status = ot_record_decode(layout, bytes, size, record);
    *count = layout->count;
    for (uint8_t i = 0; status == OT_OK && i < layout->count; i++) {
        values[i] = is_number(&layout->fields[i]) ? load(&record[layout->fields[i].at], &layout->fields[i]) : 0;
    }
    return status;
}

uint8_t host_encode(uint8_t group, uint8_t code, const int64_t *values, uint8_t *bytes, uint8_t *size)
{
    uint8_t record[256] = {0};
    const ot_layout *layout = find_layout(group, code);
    if (layout == 0) {
        return OT_UNKNOWN_CODE;
    }
    for (uint8_t i = 0; i < layout->count; i++) {
        if (is_number(&layout->fields[i])) {
            store(&record[layout->fields[i].at], &layout->fields[i], values[i]);
        }
    }
    *size = ot_record_encode(layout, record, bytes);
    return OT_OK;
}

uint8_t host_frame_parse(const uint8_t *bytes, uint16_t size, uint32_t journal_id, uint32_t block_number, uint32_t *out)
{
    ot_frame frame = {0, 0, 0, 0, 0};
    uint8_t status = ot_frame_parse(bytes, size, ot_frame_seed(journal_id, block_number), &frame);
    out[0] = frame.code;
    out[1] = frame.length;
    out[2] = frame.tick_offset;
    out[3] = frame.payload_at;
    out[4] = frame.size;
    return status;
}

uint16_t host_frame_build(uint8_t code, uint32_t tick_offset, const uint8_t *payload, uint16_t length, uint32_t journal_id,
                          uint32_t block_number, uint8_t *out)
{
    uint16_t size = ot_frame_open(out, code, length, tick_offset);
    memcpy(&out[size], payload, length);
    size = (uint16_t)(size + length);
    uint32_t crc = ot_frame_seed(journal_id, block_number);
    for (uint16_t i = 0; i < size; i++) {
        crc = ot_crc32_add(crc, out[i]);
    }
    ot_put_u32(&out[size], (uint32_t)~crc);
    return (uint16_t)(size + OT_FRAME_CHECK_SIZE);
}

uint8_t host_block_check(const uint8_t *bytes, uint16_t size, uint32_t *out)
{
    ot_block_scan scan;
    ot_block_header header = {0, 0, 0, 0, 0, 0};
    ot_block_scan_start(&scan);
    for (uint16_t i = 0; i < size; i++) {
        ot_block_scan_add(&scan, bytes[i]);
    }
    uint8_t status = ot_block_scan_end(&scan, &header);
    out[0] = header.version;
    out[1] = header.used_bytes;
    out[2] = header.journal_id;
    out[3] = header.block_number;
    out[4] = header.run_number;
    out[5] = header.open_tick;
    return status;
}

uint16_t host_crc16(const uint8_t *bytes, uint32_t size, uint16_t start)
{
    for (uint32_t i = 0; i < size; i++) {
        start = ot_crc16_add(start, bytes[i]);
    }
    return start;
}

uint32_t host_crc32(const uint8_t *bytes, uint32_t size)
{
    uint32_t crc = OT_CRC32_START;
    for (uint32_t i = 0; i < size; i++) {
        crc = ot_crc32_add(crc, bytes[i]);
    }
    return (uint32_t)~crc;
}

uint8_t host_crc7_end(const uint8_t *bytes, uint8_t size) { return ot_crc7_end(bytes, size); }
