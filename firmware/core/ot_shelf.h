/* The shelf: frames that are not line bytes wait here for a block. It takes OT_SHELF_BYTES, for two faults, another loss, a
 * supply voltage and a run's end; while sensors are on it is longer by OT_SENSOR_SHELF_BYTES, for their frames. All of it
 * belongs to the main loop. */
#ifndef OT_SHELF_H
#define OT_SHELF_H

#include <stdbool.h>
#include <stdint.h>

#define OT_SHELF_HEAD 5u /* of a staged frame: tick, code; the length follows where the payload has a tail */

/* The ring begins after the sensors' memory, so the shelf is the longer one. */
bool ot_shelf_has_sensors(void);

/* Encode a message without a tail and put it behind what is there. False when there is no room now. */
bool ot_shelf_stage(uint8_t code, uint32_t tick, const void *record) __attribute__((warn_unused_result));

/* The same for a sensor's frame, with `tail_size` bytes of `tail` where the message has one. It may not take the room that
 * losses, supply and the run's end need. */
bool ot_shelf_stage_sensor(uint8_t code, uint32_t tick, const void *record, const uint8_t *tail, uint8_t tail_size)
    __attribute__((warn_unused_result));

bool ot_shelf_has_room(uint8_t size);
bool ot_shelf_has_sensor_room(uint8_t size);

/* So many sensors' frames wait that a block should go, though nothing in it is old. */
bool ot_shelf_is_crowded(void);

/* Add to a loss by the same cause that waits; false when there is none. */
bool ot_shelf_add_loss(uint8_t cause, uint32_t count);

/* Bytes taken; places on the shelf run from 0 to this. */
uint8_t ot_shelf_size(void);

typedef struct {
    const uint8_t *payload;
    uint32_t tick;
    uint8_t length;
    uint8_t code;
    uint8_t next; /* place of the frame after it */
} ot_staged;

void ot_shelf_look(uint8_t at, ot_staged *staged);

/* Tick of the frame staged first; and the earlier of `tick` and those of all frames. */
uint32_t ot_shelf_first_tick(void);
uint32_t ot_shelf_earliest(uint32_t tick);

/* Take away what stands before the place `end`. Returns the line bytes that it counted as lost. */
uint32_t ot_shelf_take(uint8_t end);

#endif
