#include "ot_shelf.h"

#include <string.h>

#include "ot_bytes.h"
#include "ot_compiler.h"
#include "ot_flash.h"
#include "ot_memory.h"
#include "ot_ring.h"
#include "ot_spec.h"
#include "ot_time.h"

/* What a sensor's frame leaves free where the shelf is the shorter one: two faults and a run's end. */
#define ROOM_KEPT (2u * (OT_SHELF_HEAD + OT_MESSAGE_LOSS_SIZE) + OT_SHELF_HEAD + OT_MESSAGE_RUN_END_SIZE)

#define shelf (ot_the_memory.on.shelf)

static uint8_t taken; /* bytes */

bool ot_shelf_has_sensors(void) { return ot_ring.begin != &ot_the_memory.bytes[OT_SHELF_BYTES]; }

static OT_NOINLINE uint8_t shelf_bytes(void)
{
    return ot_shelf_has_sensors() ? OT_SHELF_BYTES + OT_SENSOR_SHELF_BYTES : OT_SHELF_BYTES;
}

static OT_NOINLINE bool has_room(uint8_t size, uint8_t kept)
{
    return (uint16_t)(taken + OT_SHELF_HEAD + size + kept) <= shelf_bytes();
}

bool ot_shelf_has_room(uint8_t size) { return has_room(size, 0); }

bool ot_shelf_has_sensor_room(uint8_t size) { return has_room(size, ot_shelf_has_sensors() ? OT_SHELF_BYTES : ROOM_KEPT); }

bool ot_shelf_is_crowded(void)
{
    return ot_shelf_has_sensors() && taken > OT_SENSOR_SHELF_BYTES / 2u;
}

/* Layout of a message, from flash; returns where it lies there. */
static OT_NOINLINE const ot_layout *layout_of(uint8_t code, ot_layout *layout)
{
    const ot_layout *at;
    ot_flash_copy(&at, &ot_message_layouts[code], sizeof at);
    ot_flash_copy(layout, at, sizeof *layout);
    return at;
}

/* Put a frame's head and record behind what is there; its tail, if any, goes to what is returned. */
static OT_NOINLINE uint8_t *put_staged(uint8_t code, uint32_t tick, const void *record, uint8_t tail_size)
{
    ot_layout l;
    const ot_layout *layout = layout_of(code, &l);
    uint8_t *at = &shelf[taken];
    ot_put_u32(at, tick);
    at[4] = code;
    at += OT_SHELF_HEAD;
    if (l.has_tail != 0u) {
        *at++ = (uint8_t)(l.fixed_size + tail_size);
    }
    at += ot_record_encode(layout, record, at);
    taken = (uint8_t)(at + tail_size - shelf);
    return at;
}

bool ot_shelf_stage(uint8_t code, uint32_t tick, const void *record)
{
    ot_layout l;
    (void)layout_of(code, &l);
    if (!ot_shelf_has_room(l.fixed_size)) {
        return false;
    }
    (void)put_staged(code, tick, record, 0);
    return true;
}

bool ot_shelf_stage_sensor(uint8_t code, uint32_t tick, const void *record, const uint8_t *tail, uint8_t tail_size)
{
    ot_layout l;
    (void)layout_of(code, &l);
    uint16_t size = (uint16_t)(l.fixed_size + l.has_tail + tail_size);
    if (size > OT_SENSOR_SHELF_BYTES || !ot_shelf_has_sensor_room((uint8_t)size)) {
        return false;
    }
    uint8_t *at = put_staged(code, tick, record, tail_size);
    if (tail_size != 0u) {
        memcpy(at, tail, tail_size);
    }
    return true;
}

uint8_t ot_shelf_size(void) { return taken; }

OT_NOINLINE void ot_shelf_look(uint8_t at, ot_staged *staged)
{
    ot_layout l;
    staged->tick = ot_get_u32(&shelf[at]);
    staged->code = shelf[at + 4u];
    (void)layout_of(staged->code, &l);
    at = (uint8_t)(at + OT_SHELF_HEAD + l.has_tail);
    staged->length = l.has_tail != 0u ? shelf[at - 1u] : l.fixed_size;
    staged->payload = &shelf[at];
    staged->next = (uint8_t)(at + staged->length);
}

bool ot_shelf_add_loss(uint8_t cause, uint32_t count)
{
    ot_staged staged;
    for (uint8_t at = 0; at != taken; at = staged.next) {
        ot_shelf_look(at, &staged);
        if (staged.code == OT_MESSAGE_LOSS && staged.payload[0] == cause) {
            ot_put_u32(&shelf[at + OT_SHELF_HEAD + 1u], ot_get_u32(&staged.payload[1]) + count);
            return true;
        }
    }
    return false;
}

uint32_t ot_shelf_first_tick(void) { return ot_get_u32(shelf); }

uint32_t ot_shelf_earliest(uint32_t tick)
{
    ot_staged staged;
    for (uint8_t at = 0; at != taken; at = staged.next) {
        ot_shelf_look(at, &staged);
        tick = ot_time_is_earlier(staged.tick, tick) ? staged.tick : tick;
    }
    return tick;
}

/* Of losses only these are of line bytes; the others count events, frames or readings. */
static bool is_of_line_bytes(uint8_t cause)
{
    return cause == OT_LOSS_CAUSE_RING_FULL || cause == OT_LOSS_CAUSE_SETTINGS || cause == OT_LOSS_CAUSE_CARD;
}

OT_NOINLINE uint32_t ot_shelf_take(uint8_t end)
{
    ot_staged staged;
    uint32_t lost = 0;
    for (uint8_t at = 0; at != end; at = staged.next) {
        ot_shelf_look(at, &staged);
        if (staged.code == OT_MESSAGE_LOSS && is_of_line_bytes(staged.payload[0])) {
            lost += ot_get_u32(&staged.payload[1]);
        }
    }
    taken = (uint8_t)(taken - end);
    memmove(shelf, &shelf[end], taken);
    return lost;
}
