/* Memory that finding the journal and recording into it share: each needs it only while the other does not. */
#ifndef OT_WORK_H
#define OT_WORK_H

#include <stdint.h>

#include "ot_block.h"
#include "ot_fat.h"
#include "ot_framer.h"
#include "ot_port.h"
#include "ot_spec.h"

#define OT_BOOT_SECTOR_FROM 11u /* the part of a boot sector that says how the volume is laid out */
#define OT_BOOT_SECTOR_BYTES 37u

typedef union {
    uint8_t boot_sector[OT_BOOT_SECTOR_BYTES]; /* finding the file */
    ot_volume volume;
    uint8_t journal_header[OT_HEAD_JOURNAL_HEADER_SIZE + 1u]; /* and the flags of the sensors */
    ot_block_scan scan; /* looking for the tip */
    struct {
        ot_plan plan; /* of the block that goes out */
        ot_checks checks;
        uint16_t begin; /* its first byte's position in the ring */
        uint8_t payload[OT_MESSAGE_LOSS_SIZE]; /* of a frame that is made as it goes out */
    } block;
} ot_work;

extern ot_work ot_the_work;

#endif
