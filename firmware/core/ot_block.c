#include "ot_block.h"

#include "ot_bytes.h"
#include "ot_crc.h"

#define CHECK_AT (OT_BLOCK_SIZE - OT_BLOCK_CHECK_SIZE)

void ot_block_header_put(uint8_t *out, const ot_block_header *header)
{
    out[OT_BLOCK_MAGIC_AT] = OT_BLOCK_MAGIC;
    ot_put_u16(&out[OT_BLOCK_FORM_AT], (uint16_t)((uint16_t)(header->used_bytes << OT_BLOCK_USED_BYTES_SHIFT) |
                                                  (uint16_t)((uint16_t)header->version << OT_BLOCK_VERSION_SHIFT)));
    ot_put_u32(&out[OT_BLOCK_JOURNAL_ID_AT], header->journal_id);
    ot_put_u32(&out[OT_BLOCK_BLOCK_NUMBER_AT], header->block_number);
    ot_put_u16(&out[OT_BLOCK_RUN_NUMBER_AT], header->run_number);
    ot_put_u32(&out[OT_BLOCK_OPEN_TICK_AT], header->open_tick);
}

void ot_block_scan_start(ot_block_scan *scan)
{
    scan->crc = OT_CRC32_START;
    scan->check = 0;
    scan->at = 0;
    scan->pad_is_zero = true;
    scan->all_same = true;
}

static uint16_t used_bytes(const ot_block_scan *scan)
{
    return (uint16_t)((ot_get_u16(&scan->head[OT_BLOCK_FORM_AT]) >> OT_BLOCK_USED_BYTES_SHIFT) & OT_BLOCK_USED_BYTES_MASK);
}

void ot_block_scan_add(ot_block_scan *scan, uint8_t byte)
{
    if (scan->at != 0u && byte != scan->last) {
        scan->all_same = false;
    }
    scan->last = byte;
    if (scan->at < OT_BLOCK_HEADER_SIZE) {
        scan->head[scan->at] = byte;
    }
    uint16_t at = scan->at++;
    if (scan->head[OT_BLOCK_MAGIC_AT] != OT_BLOCK_MAGIC) {
        return; /* no block, whatever follows: much of a fresh journal, which the search for the end reads, is like that */
    }
    if (at >= CHECK_AT) {
        scan->check = (scan->check >> 8) | ((uint32_t)byte << 24);
        return;
    }
    scan->crc = ot_crc32_add(scan->crc, byte);
    if (byte != 0u && at >= OT_BLOCK_HEADER_SIZE && at >= OT_BLOCK_HEADER_SIZE + used_bytes(scan)) {
        scan->pad_is_zero = false;
    }
}

uint8_t ot_block_scan_end(const ot_block_scan *scan, ot_block_header *header)
{
    const uint8_t *head = scan->head;
    if (scan->at != OT_BLOCK_SIZE) {
        return OT_SHORT_INPUT;
    }
    if (head[OT_BLOCK_MAGIC_AT] != OT_BLOCK_MAGIC) {
        return OT_BAD_MAGIC;
    }
    header->version = (uint8_t)((ot_get_u16(&head[OT_BLOCK_FORM_AT]) >> OT_BLOCK_VERSION_SHIFT) & OT_BLOCK_VERSION_MASK);
    header->used_bytes = used_bytes(scan);
    header->journal_id = ot_get_u32(&head[OT_BLOCK_JOURNAL_ID_AT]);
    header->block_number = ot_get_u32(&head[OT_BLOCK_BLOCK_NUMBER_AT]);
    header->run_number = ot_get_u16(&head[OT_BLOCK_RUN_NUMBER_AT]);
    header->open_tick = ot_get_u32(&head[OT_BLOCK_OPEN_TICK_AT]);
    if (header->version != OT_BLOCK_VERSION) {
        return OT_BAD_VERSION;
    }
    if (scan->check != (uint32_t)~scan->crc) {
        return OT_BAD_BLOCK_CHECK;
    }
    if (header->used_bytes > OT_BLOCK_SPACE) {
        return OT_BAD_USED;
    }
    if (header->block_number == 0u) {
        return OT_OUT_OF_RANGE;
    }
    return scan->pad_is_zero ? OT_OK : OT_BAD_PADDING;
}
