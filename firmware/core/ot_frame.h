/* Frames: the head, the tick offset and the check around every payload. */
#ifndef OT_FRAME_H
#define OT_FRAME_H

#include <stdint.h>

/* CRC-32 register that every frame of one block starts from. */
uint32_t ot_frame_seed(uint32_t journal_id, uint32_t block_number);

/* Bytes of a tick offset in LEB128: 1 to 5. */
uint8_t ot_frame_tick_size(uint32_t offset);

/* Write head and tick offset to `out` (at most 7 bytes); returns their size. */
uint8_t ot_frame_open(uint8_t *out, uint8_t code, uint16_t length, uint32_t tick_offset);

typedef struct {
    uint8_t code;
    uint16_t length;      /* of the payload */
    uint32_t tick_offset; /* from the block's open tick */
    uint16_t payload_at;  /* from the frame's first byte */
    uint16_t size;        /* of the whole frame */
} ot_frame;

/* Read one frame from `size` bytes. Returns one of ot_errors; OT_OK only when the check is right. */
uint8_t ot_frame_parse(const uint8_t *bytes, uint16_t size, uint32_t seed, ot_frame *frame)
    __attribute__((warn_unused_result));

/* Decode a known message's fixed part. Returns one of ot_errors, OT_UNKNOWN_CODE among them. */
uint8_t ot_message_decode(uint8_t code, const uint8_t *payload, uint16_t length, void *record)
    __attribute__((warn_unused_result));

#endif
