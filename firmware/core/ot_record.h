/* One small runtime that encodes and decodes every record from the tables that the spec generates into flash. */
#ifndef OT_RECORD_H
#define OT_RECORD_H

#include <stdint.h>

#include "ot_flash.h"

#define OT_KIND_UNSIGNED 0u        /* low..high bound the number */
#define OT_KIND_SIGNED 1u          /* likewise, as two's complement */
#define OT_KIND_BYTES 2u           /* bytes as they are */
#define OT_KIND_CONSTANT 3u        /* low is the place in ot_constants */
#define OT_KIND_NUMBER_CONSTANT 4u /* low is the number */

typedef struct {
    uint16_t at; /* place in the record's struct */
    uint8_t kind;
    uint8_t size; /* bytes on the wire */
    uint32_t low;
    uint32_t high;
} ot_field;

typedef struct {
    const ot_field *fields;
    uint8_t count;
    uint8_t fixed_size; /* bytes before the variable tail */
    uint8_t has_tail;
} ot_layout;

extern const uint8_t ot_constants[] OT_FLASH;

/* Write the fixed part of `record` to `out` (layout->fixed_size bytes); returns that size. */
uint8_t ot_record_encode(const ot_layout *layout, const void *record, uint8_t *out);

/* Read the fixed part; bytes after it are the tail's or a later spec's. Returns OT_OK, OT_SHORT_PAYLOAD or
 * OT_OUT_OF_RANGE (one of ot_errors). */
uint8_t ot_record_decode(const ot_layout *layout, const uint8_t *bytes, uint16_t size, void *record)
    __attribute__((warn_unused_result));

#endif
