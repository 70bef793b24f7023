/* Stretches of a window of blocks, put one after the other: the receiver's bytes out of their frames. */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "pieces.h"

void ot_pieces_join(const uint8_t *data, const int64_t *starts, const int64_t *sizes, int64_t count, uint8_t *joined)
{
    for (int64_t i = 0; i < count; i++) {
        memcpy(joined, data + starts[i], (size_t)sizes[i]);
        joined += sizes[i];
    }
}
