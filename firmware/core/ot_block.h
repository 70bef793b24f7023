/* Blocks, read a byte at a time so that a board needs no buffer for one. */
#ifndef OT_BLOCK_H
#define OT_BLOCK_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_spec.h"

typedef struct {
    uint8_t version;
    uint16_t used_bytes;
    uint32_t journal_id;
    uint32_t block_number;
    uint16_t run_number;
    uint32_t open_tick;
} ot_block_header;

/* Write the header's OT_BLOCK_HEADER_SIZE bytes. */
void ot_block_header_put(uint8_t *out, const ot_block_header *header);

typedef struct {
    uint8_t head[OT_BLOCK_HEADER_SIZE];
    uint32_t crc;
    uint32_t check;
    uint16_t at;
    bool pad_is_zero;
    bool all_same;
    uint8_t last;
} ot_block_scan;

void ot_block_scan_start(ot_block_scan *scan);
void ot_block_scan_add(ot_block_scan *scan, uint8_t byte);

/* After 512 bytes: one of ot_errors (never OT_FOREIGN_JOURNAL); `header` is filled when the magic is right. */
uint8_t ot_block_scan_end(const ot_block_scan *scan, ot_block_header *header) __attribute__((warn_unused_result));

#endif
