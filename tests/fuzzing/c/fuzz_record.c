/* Messages, packets and the journal's header of any bytes. Input: which layout, then the bytes. */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "fuzz_card.h"
#include "ot_record.h"
#include "ot_spec.h"

#include "fuzz_records.h" /* written by fuzz_build.py: every record's layout and the size of its struct */

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Bytes of the fixed part that `count` bytes have whole fields of, arrays being fields as a whole. */
static uint16_t whole(const ot_layout *layout, uint16_t count)
{
    uint16_t at = 0;
    for (uint8_t i = 0; i < layout->count; i++) {
        const ot_field *f = &layout->fields[i];
        if (at + f->size * ((f->kind >> OT_KIND_MORE_SHIFT) + 1u) > count) {
            break;
        }
        at = (uint16_t)(at + f->size);
    }
    return at;
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1u || size > 600u) {
        return 0;
    }
    const fuzz_record *one = &fuzz_records[data[0] % (sizeof fuzz_records / sizeof fuzz_records[0])];
    uint16_t count = (uint16_t)(size - 1u);
    uint8_t *bytes = malloc(count == 0u ? 1u : count);
    uint8_t *record = calloc(one->struct_size == 0u ? 1u : one->struct_size, 1u);
    uint8_t *again = malloc(one->layout->fixed_size == 0u ? 1u : one->layout->fixed_size);
    memcpy(bytes, &data[1], count);
    uint8_t status = ot_record_decode(one->layout, bytes, count, record);
    if (status == OT_OK) {
        uint16_t there = whole(one->layout, count);
        if (ot_record_encode(one->layout, record, again) != one->layout->fixed_size || memcmp(again, bytes, there) != 0) {
            fuzz_fail("a record does not come back as it was");
        }
        for (uint16_t i = there; i < one->layout->fixed_size; i++) {
            if (again[i] != 0u) {
                fuzz_fail("a field that was not all there is not as it was");
            }
        }
    } else if (status != OT_SHORT_PAYLOAD && status != OT_OUT_OF_RANGE) {
        fuzz_fail("an answer that the decoder does not have");
    }
    free(again);
    free(record);
    free(bytes);
    return 0;
}
