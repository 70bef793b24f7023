/* Sentences in a stretch of the receiver's stream: from a start character to a check mark and two hexadecimal digits,
 * which are the exclusive-or of what lies between. */
#include <stdint.h>

#include "sentences.h"

enum { IN_BODY = 0, STARTS = 1, MARKS = 2 }; /* what `kinds` says of a character; anything else may not occur inside */

static int hex_digit(uint8_t byte)
{
    if (byte >= (uint8_t)'0' && byte <= (uint8_t)'9') {
        return byte - (uint8_t)'0';
    }
    byte = (uint8_t)(byte & ~0x20u);
    return byte >= (uint8_t)'A' && byte <= (uint8_t)'F' ? byte - (uint8_t)'A' + 10 : -1;
}

/* Where whole sentences with a right check start and where their check marks are, in columns with `room`; returns how
 * many. A body has at most `body_max` characters. A start character inside begins anew. */
int64_t ot_sentences_find(const uint8_t *data, int64_t size, const uint8_t *kinds, int64_t body_max, int64_t room,
                          int64_t *starts, int64_t *marks)
{
    int64_t found = 0;
    int64_t at = 0;
    while (at < size && found < room) {
        while (at < size && kinds[data[at]] != STARTS) {
            at++;
        }
        const int64_t start = at++;
        uint8_t sum = 0;
        while (at < size && kinds[data[at]] == IN_BODY) {
            sum ^= data[at++];
        }
        if (at + 2 >= size || kinds[data[at]] != MARKS || at - start - 1 > body_max) {
            continue;
        }
        const int high = hex_digit(data[at + 1]);
        const int low = hex_digit(data[at + 2]);
        if (high >= 0 && low >= 0 && (high << 4 | low) == sum) {
            starts[found] = start;
            marks[found] = at;
            found++;
        }
    }
    return found;
}
