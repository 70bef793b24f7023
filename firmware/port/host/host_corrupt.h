/* Counts damaged frames that the reading side would take for true ones. Read by the Python side, without the lines that
 * are for the preprocessor. */
#ifndef HOST_CORRUPT_H
#define HOST_CORRUPT_H

#include <stdint.h>

/* Frames of at least 7 bytes in 491. */
#define HOST_FOUND_MAX 72u

/* One frame that a search gave, or that is known to be true. */
typedef struct {
    uint32_t number; /* of the block whose seed its check passed with */
    uint16_t at;     /* in the block */
    uint16_t size;
    uint8_t code;
    uint8_t from_lap; /* known frames: it is one of the lap before */
} host_found;

/* One place in a journal: the block written there last, what lay there a lap before and what another journal left. */
typedef struct {
    uint8_t block[512];
    uint8_t lap[512];
    uint8_t foreign[512];
    uint32_t journal_id;
    uint32_t numbers[8]; /* block numbers that salvage tries here */
    uint8_t number_count;
    uint8_t block_frames; /* known frames of `block`; those of `lap` follow */
    uint8_t known_count;
    host_found known[144];
} host_place;

/* What came of the corruptions of one kind. */
typedef struct {
    uint64_t made;       /* damaged frames, each in a block of its own */
    uint64_t accepted;   /* frames that were taken and are not true: none may be */
    uint64_t lost;       /* untouched frames that were not found again: none may be */
    uint64_t found;      /* true frames that were found */
    uint64_t compared;   /* checks that were compared with bytes that are no true frame */
    uint64_t first_miss; /* index of the first corruption with accepted or lost frames; all ones for none */
} host_tally;

/* Find the true frames of `block` and `lap` and put them into `known`. Returns 0, or 1 where a block does not parse. */
uint8_t host_place_know(host_place *place);

/* Frames of a damaged block, as salvage takes them: `found` has room for 72. With `weak` a check that only agrees when
 * folded to 16 bits will do: it is there to show that the count can fail. Adds to `compared`. */
uint8_t host_search(const uint8_t *block, uint32_t journal_id, const uint32_t *numbers, uint8_t number_count, uint8_t weak,
                    host_found *found, uint64_t *compared);

/* Corruption `index` of `seed`: writes the damaged block and returns its kind. */
uint8_t host_corrupt(const host_place *places, uint32_t place_count, uint64_t seed, uint64_t index, uint8_t *damaged,
                     uint32_t *place_index);

/* Corruptions `first` to `first + count - 1`, judged and added to `tallies`, one for each kind. */
void host_corruptions(const host_place *places, uint32_t place_count, uint64_t seed, uint64_t first, uint64_t count,
                      uint8_t weak, host_tally *tallies);

#endif
