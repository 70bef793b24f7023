/* One small runtime that encodes and decodes every record from the tables that the spec generates into flash. */
#ifndef OT_RECORD_H
#define OT_RECORD_H

#include <stdint.h>

#include "ot_flash.h"

#define OT_KIND_UNSIGNED 0u
#define OT_KIND_SIGNED 1u   /* two's complement */
#define OT_KIND_BYTES 2u    /* bytes as they are */
#define OT_KIND_CONSTANT 3u /* bytes that never change, from ot_constants */
#define OT_KIND_MASK 3u
#define OT_KIND_MORE_SHIFT 2u /* above it: how many elements of the same array follow, each with a row of its own */
#define OT_NO_BOUNDS 0xffu

typedef struct {
    uint8_t at; /* place in the record's struct; of a constant, in ot_constants */
    uint8_t kind;
    uint8_t size;   /* bytes on the wire */
    uint8_t bounds; /* place in ot_bounds, or OT_NO_BOUNDS: all that the size can hold */
} ot_field;

/* A number is in bounds when it lies at most `span` above `low`, counted round the end of its size: one rule for
 * signed and unsigned ones. */
typedef struct {
    uint32_t low;
    uint32_t span;
} ot_bound;

typedef struct {
    const ot_field *fields;
    uint8_t count;
    uint8_t fixed_size; /* bytes before the variable tail */
    uint8_t size_min;   /* of them those that the first release had: what came later may be missing in old bytes */
    uint8_t has_tail;
} ot_layout;

extern const uint8_t ot_constants[] OT_FLASH;
extern const ot_bound ot_bounds[] OT_FLASH;

/* Write the fixed part of `record` to `out` (layout->fixed_size bytes); returns that size. */
uint8_t ot_record_encode(const ot_layout *layout, const void *record, uint8_t *out);

/* The same for a message, handed to `put` field by field, where there is no buffer for all of it; byte strings from where
 * they lie. */
void ot_record_put(const ot_layout *layout, const void *record, void (*put)(const uint8_t *bytes, uint16_t count));

/* Read the fixed part; bytes after it are the tail's or a later spec's. Bytes from size_min on may be missing: a field,
 * or an array as a whole, that is not all there stays as it is in `record`, so zero that first. Returns OT_OK,
 * OT_SHORT_PAYLOAD or OT_OUT_OF_RANGE (one of ot_errors). */
uint8_t ot_record_decode(const ot_layout *layout, const uint8_t *bytes, uint16_t size, void *record)
    __attribute__((warn_unused_result));

#endif
