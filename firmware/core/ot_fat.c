#include "ot_fat.h"

#include <stdbool.h>
#include <string.h>

#include "ot_bytes.h"
#include "ot_card.h"
#include "ot_compiler.h"
#include "ot_flash.h"
#include "ot_spec.h"
#include "ot_work.h"

#define ENTRY_SIZE 32u
#define ATTRIBUTE_NO_FILE 0x18u /* volume label or folder; long names have the label bit */
#define READ_TRIES 3u
#define FAT_SECTORS_MAX 0x200000ul /* 2^28 entries of 4 bytes: all that FAT32 can number */

static const uint8_t journal_name[11] OT_FLASH = {'O', 'F', 'F', 'T', 'A', 'K', 'E', ' ', 'J', 'N', 'L'};

/* Read `size` bytes at `at` of a sector; a sector that reads badly is read again. */
static bool read_part(uint32_t sector, uint16_t at, uint8_t *bytes, uint8_t size)
{
    for (uint8_t attempt = 0; attempt < READ_TRIES; attempt++) {
        if (!ot_card_read_open(sector)) {
            continue;
        }
        for (uint16_t i = 0; i < at; i++) {
            (void)ot_card_read_byte();
        }
        for (uint8_t i = 0; i < size; i++) {
            bytes[i] = ot_card_read_byte();
        }
        if (ot_card_read_close()) {
            return true;
        }
    }
    return false;
}

static bool is_fat_partition(uint8_t type)
{
    return type == 0x04u || type == 0x06u || type == 0x0eu || type == 0x0bu || type == 0x0cu;
}

/* First sector of the volume: the first FAT partition, or the card itself when it has no partition table. */
static OT_NOINLINE uint8_t find_volume(uint32_t *first)
{
    uint8_t *bytes = ot_the_work.boot_sector;
    if (!read_part(0, 510, bytes, 2)) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    if (bytes[0] != 0x55u || bytes[1] != 0xaau) {
        return OT_CARD_STATE_NOT_FAT;
    }
    if (!read_part(0, 0, bytes, 13)) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    *first = 0;
    if ((bytes[0] == 0xebu || bytes[0] == 0xe9u) && ot_get_u16(&bytes[11]) == OT_BLOCK_SIZE) {
        return OT_CARD_STATE_READY; /* a boot sector */
    }
    for (uint16_t entry = 446; entry < 510u; entry = (uint16_t)(entry + 16u)) {
        if (!read_part(0, entry, bytes, 16)) {
            return OT_CARD_STATE_CARD_FAILED;
        }
        if (is_fat_partition(bytes[4])) {
            *first = ot_get_u32(&bytes[8]);
            return OT_CARD_STATE_READY;
        }
    }
    return OT_CARD_STATE_NOT_FAT;
}

#define BOOT(offset) (&ot_the_work.boot_sector[(offset) - OT_BOOT_SECTOR_FROM])

/* What it finds takes the boot sector's place. */
static OT_NOINLINE uint8_t open_volume(void)
{
    ot_volume volume;
    ot_volume *v = &volume;
    uint32_t first = 0;
    uint8_t state = find_volume(&first);
    if (state != OT_CARD_STATE_READY) {
        return state;
    }
    if (!read_part(first, OT_BOOT_SECTOR_FROM, ot_the_work.boot_sector, OT_BOOT_SECTOR_BYTES)) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    uint16_t reserved = ot_get_u16(BOOT(14));
    uint8_t fats = *BOOT(16);
    uint32_t total = ot_get_u16(BOOT(19));
    total = total != 0u ? total : ot_get_u32(BOOT(32));
    uint32_t fat_size = ot_get_u16(BOOT(22));
    fat_size = fat_size != 0u ? fat_size : ot_get_u32(BOOT(36));
    v->cluster_size = *BOOT(13);
    v->root_sectors = (uint16_t)(((uint32_t)ot_get_u16(BOOT(17)) + 15u) / 16u);
    uint32_t before_data = reserved + fat_size * fats + v->root_sectors;
    if (ot_get_u16(BOOT(11)) != OT_BLOCK_SIZE || v->cluster_size == 0u ||
        (v->cluster_size & (v->cluster_size - 1u)) != 0u || reserved == 0u || fats == 0u || fat_size == 0u ||
        fat_size > FAT_SECTORS_MAX || total <= before_data || first + total < first) {
        return OT_CARD_STATE_NOT_FAT;
    }
    v->clusters = (total - before_data) / v->cluster_size;
    v->is_fat32 = v->clusters >= 65525ul;
    if (v->clusters + 2u > fat_size * (OT_BLOCK_SIZE / (v->is_fat32 ? 4u : 2u))) {
        return OT_CARD_STATE_NOT_FAT; /* more clusters than the table has entries */
    }
    v->fat = first + reserved;
    v->data = first + before_data;
    v->root = v->is_fat32 ? ot_get_u32(BOOT(44)) : first + before_data - v->root_sectors;
    ot_the_work.volume = volume;
    return v->clusters < 4085ul ? OT_CARD_STATE_NOT_FAT : OT_CARD_STATE_READY;
}

static bool is_cluster(const ot_volume *v, uint32_t cluster) { return cluster >= 2u && cluster - 2u < v->clusters; }

static uint32_t cluster_sector(const ot_volume *v, uint32_t cluster) { return v->data + (cluster - 2u) * v->cluster_size; }

/* Read the table from `cluster` on for as long as each entry names the cluster next to its own, within one sector of the
 * table and for at most `limit` clusters. Returns how many clusters that is, `cluster` included, and in `after` the
 * entry of the last one; anything there that is not a cluster ends the chain. 0 when the card does not read. */
static OT_NOINLINE uint16_t follow_row(const ot_volume *v, uint32_t cluster, uint32_t limit, uint32_t *after)
{
    uint8_t width = v->is_fat32 ? 4u : 2u;
    uint32_t at = cluster * width;
    uint16_t skip = (uint16_t)(at % OT_BLOCK_SIZE);
    for (uint8_t attempt = 0; attempt < READ_TRIES; attempt++) {
        if (!ot_card_read_open(v->fat + at / OT_BLOCK_SIZE)) {
            continue;
        }
        for (uint16_t i = 0; i < skip; i++) {
            (void)ot_card_read_byte();
        }
        uint16_t left = (uint16_t)(OT_BLOCK_SIZE - skip);
        uint16_t taken = 0;
        do {
            uint8_t entry[4] = {0, 0, 0, 0};
            for (uint8_t i = 0; i < width; i++) {
                entry[i] = ot_card_read_byte();
            }
            *after = ot_get_u32(entry) & 0x0ffffffful;
            taken++;
            left = (uint16_t)(left - width);
        } while (*after == cluster + taken && taken < limit && left != 0u);
        if (ot_card_read_close()) {
            return taken;
        }
    }
    return 0;
}

/* What the search of the root directory is after. */
typedef struct {
    uint32_t cluster;
    uint32_t size;
    bool last; /* the directory ends here */
} entry;

/* Look for the journal in one sector of the root directory. */
static OT_NOINLINE uint8_t search_sector(uint32_t sector, entry *found)
{
    uint8_t state = OT_CARD_STATE_NO_JOURNAL;
    if (!ot_card_read_open(sector)) {
        return OT_CARD_STATE_CARD_FAILED;
    }
    for (uint8_t count = 0; count < OT_BLOCK_SIZE / ENTRY_SIZE; count++) {
        bool same = !found->last && state != OT_CARD_STATE_READY;
        uint32_t late = 0; /* the last four bytes */
        for (uint8_t i = 0; i < ENTRY_SIZE; i++) {
            uint8_t byte = ot_card_read_byte();
            late = (late >> 8) | ((uint32_t)byte << 24);
            found->last = found->last || (i == 0u && byte == 0u);
            if (i < sizeof journal_name) {
                same = same && byte == ot_flash_u8(&journal_name[i]);
            } else if (i == sizeof journal_name) {
                same = same && (byte & ATTRIBUTE_NO_FILE) == 0u;
            } else if (same && i == 21u) {
                found->cluster = late & 0xffff0000ul;
            } else if (same && i == 27u) {
                found->cluster |= late >> 16;
            }
        }
        if (same) {
            found->size = late;
            state = OT_CARD_STATE_READY;
        }
    }
    return ot_card_read_close() ? state : (uint8_t)OT_CARD_STATE_CARD_FAILED;
}

static uint8_t search_sectors(uint32_t sector, uint16_t count, entry *found)
{
    uint8_t state = OT_CARD_STATE_NO_JOURNAL;
    for (uint16_t i = 0; i < count && !found->last && state == OT_CARD_STATE_NO_JOURNAL; i++) {
        for (uint8_t attempt = 0; attempt < READ_TRIES; attempt++) {
            found->last = false;
            state = search_sector(sector + i, found);
            if (state != OT_CARD_STATE_CARD_FAILED) {
                break;
            }
        }
    }
    return state;
}

static OT_NOINLINE uint8_t search_root(const ot_volume *v, entry *found)
{
    if (!v->is_fat32) {
        uint8_t state = search_sectors(v->root, v->root_sectors, found);
        found->cluster &= 0xfffful; /* FAT16 has no upper half */
        return state;
    }
    uint32_t folder = v->root;
    for (uint16_t steps = 0; is_cluster(v, folder) && !found->last && steps < 2048u; steps++) {
        uint8_t state = search_sectors(cluster_sector(v, folder), v->cluster_size, found);
        if (state != OT_CARD_STATE_NO_JOURNAL) {
            return state;
        }
        if (follow_row(v, folder, 1, &folder) == 0u) {
            return OT_CARD_STATE_CARD_FAILED;
        }
    }
    return OT_CARD_STATE_NO_JOURNAL;
}

/* The file's chain as extents. They must ascend: so no chain that comes back to where it was passes, which would have
 * one block of the journal written over another. */
static OT_NOINLINE uint8_t read_chain(const ot_volume *v, uint32_t cluster, uint32_t blocks, ot_file *file)
{
    uint32_t left = (blocks + v->cluster_size - 1u) / v->cluster_size;
    uint8_t count = 0;
    memset(file, 0, sizeof *file);
    while (left != 0u) {
        if (!is_cluster(v, cluster)) {
            return OT_CARD_STATE_NO_JOURNAL; /* the chain is shorter than the file's size says */
        }
        ot_extent *extent = &file->extents[count];
        uint32_t sector = cluster_sector(v, cluster);
        if (count != 0u && extent[-1].sector + extent[-1].count == sector) {
            extent--;
        } else if (count == OT_EXTENTS_MAX ||
                   (count != 0u && sector < extent[-1].sector + extent[-1].count)) {
            return OT_CARD_STATE_FRAGMENTED;
        } else {
            extent->sector = sector;
            extent->count = 0;
            count++;
        }
        uint32_t after;
        uint16_t taken = follow_row(v, cluster, left, &after);
        if (taken == 0u) {
            return OT_CARD_STATE_CARD_FAILED;
        }
        uint32_t last = cluster + taken - 1u;
        if (!is_cluster(v, last) || after == last) {
            return OT_CARD_STATE_NO_JOURNAL; /* the chain leaves the volume, or a cluster names itself */
        }
        extent->count += (uint32_t)taken * v->cluster_size;
        left -= taken;
        cluster = after;
    }
    return OT_CARD_STATE_READY;
}

uint8_t ot_fat_find(ot_file *file, uint32_t *blocks)
{
    entry found = {0, 0, false};
    uint8_t state = open_volume();
    if (state == OT_CARD_STATE_READY) {
        state = search_root(&ot_the_work.volume, &found);
    }
    if (state != OT_CARD_STATE_READY) {
        return state;
    }
    *blocks = found.size / OT_BLOCK_SIZE;
    return *blocks < 2u ? OT_CARD_STATE_NO_JOURNAL : read_chain(&ot_the_work.volume, found.cluster, *blocks, file);
}

uint32_t ot_fat_sector(const ot_file *file, uint32_t block)
{
    for (uint8_t i = 0; i < OT_EXTENTS_MAX; i++) {
        if (block < file->extents[i].count) {
            return file->extents[i].sector + block;
        }
        block -= file->extents[i].count;
    }
    return 0;
}
