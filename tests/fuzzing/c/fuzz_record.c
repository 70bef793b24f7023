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

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size < 1u || size > 600u) {
        return 0;
    }
    const fuzz_record *one = &fuzz_records[data[0] % (sizeof fuzz_records / sizeof fuzz_records[0])];
    uint16_t count = (uint16_t)(size - 1u);
    uint8_t *bytes = malloc(count == 0u ? 1u : count);
    uint8_t *record = malloc(one->struct_size == 0u ? 1u : one->struct_size);
    uint8_t *again = malloc(one->layout->fixed_size == 0u ? 1u : one->layout->fixed_size);
    memcpy(bytes, &data[1], count);
    uint8_t status = ot_record_decode(one->layout, bytes, count, record);
    if (status == OT_OK) {
        if (ot_record_encode(one->layout, record, again) != one->layout->fixed_size ||
            memcmp(again, bytes, one->layout->fixed_size) != 0) {
            fuzz_fail("a record does not come back as it was");
        }
    } else if (status != OT_SHORT_PAYLOAD && status != OT_OUT_OF_RANGE) {
        fuzz_fail("an answer that the decoder does not have");
    }
    free(again);
    free(record);
    free(bytes);
    return 0;
}
