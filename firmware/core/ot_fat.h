/* Where the journal file lies on a FAT16 or FAT32 card, as a short list of extents. Reads only.
 *
 * Layout: Microsoft "FAT: General Overview of On-Disk Format" 1.03. */
#ifndef OT_FAT_H
#define OT_FAT_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_board.h"

typedef struct {
    uint32_t sector;
    uint32_t count;
} ot_extent;

typedef struct {
    ot_extent extents[OT_EXTENTS_MAX]; /* those that are not needed are empty */
} ot_file;

/* How the card's volume is laid out. */
typedef struct {
    uint32_t fat;          /* first sector of the first table */
    uint32_t root;         /* FAT16: first sector; FAT32: first cluster */
    uint32_t data;         /* sector of cluster 2 */
    uint32_t clusters;     /* number of them */
    uint16_t root_sectors; /* FAT16 only */
    uint8_t cluster_size;  /* sectors */
    bool is_fat32;
} ot_volume;

/* Find OFFTAKE.JNL in the root directory, and how many whole 512-byte blocks it has. Returns one of ot_card_state: ready, card_failed, not_fat, no_journal or
 * fragmented. */
uint8_t ot_fat_find(ot_file *file, uint32_t *blocks) __attribute__((warn_unused_result));

/* Sector of a block of the file; 0, which no file block has, past its last cluster. */
uint32_t ot_fat_sector(const ot_file *file, uint32_t block);

#endif
