/* The memory that lies last in RAM, where the stack would come to last: the shelf and the ring and, while any sensor is
 * on, what the sensors need, which the ring then begins after. A journal without sensors pays nothing for them. */
#ifndef OT_MEMORY_H
#define OT_MEMORY_H

#include <stdint.h>

#include "ot_sensors.h"
#include "ot_spec.h"

typedef union {
    uint8_t bytes[OT_SHELF_BYTES + OT_RING_BYTES];
    struct {
        uint8_t shelf[OT_SHELF_BYTES + OT_SENSOR_SHELF_BYTES]; /* of frames on their way to a block, see ot_shelf.h */
        ot_sensor_state sensors;
    } on;
} ot_memory;

extern ot_memory ot_the_memory;

#endif
