/* A card in SPI mode over a sparse image: what a fuzz input says lies on it, and where the firmware may write. */
#ifndef FUZZ_CARD_H
#define FUZZ_CARD_H

#include <stdbool.h>
#include <stdint.h>

#define FUZZ_SECTOR 512u

typedef struct {
    uint32_t sector;
    uint8_t bytes[FUZZ_SECTOR];
} fuzz_sector;

typedef struct {
    uint32_t sector; /* the first of `count` sectors that are one repeated byte */
    uint32_t count;
    uint8_t byte;
} fuzz_stretch;

/* A card as offtake.card makes it; what neither list names is zero. Written by fuzz_build.py. */
typedef struct {
    const fuzz_sector *sectors;
    uint32_t sector_count;
    const fuzz_stretch *stretches;
    uint32_t stretch_count;
    uint32_t card_sectors;
    const uint32_t *journal; /* the sector of each of the journal's blocks */
    uint32_t journal_blocks;
} fuzz_base;

extern const fuzz_base fuzz_bases[];
extern const uint32_t fuzz_base_count;

/* Put in a card like `base`. After `reads` sectors it reads no more; with 0 there is no such limit. */
void fuzz_card_insert(const fuzz_base *base, uint32_t reads);

/* A sector to change, or null when too many were changed already. */
uint8_t *fuzz_card_change(uint32_t sector);

/* The bytes of a sector as they are now. */
void fuzz_card_look(uint32_t sector, uint8_t *bytes);

/* Asked before every write; without it any sector may be written. */
void fuzz_card_allow(bool (*may_write)(uint32_t sector));

uint32_t fuzz_card_reads(void); /* sectors read since the card was put in */

uint8_t fuzz_card_exchange(uint8_t out);
void fuzz_card_select(uint8_t on);

/* Say what went wrong and end the process, as a sanitizer does. */
void fuzz_fail(const char *what) __attribute__((noreturn));

#endif
