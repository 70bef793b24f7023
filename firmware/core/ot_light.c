#include "ot_light.h"

#include "ot_flash.h"
#include "ot_port.h"

#define UNIT_TICKS_LOG 4u /* 64 us: 16 bits of that reach 4 s */
#define STEP_UNITS 781u   /* 50 ms */

static const uint8_t steps[OT_LIGHT_STEP_BYTES] OT_FLASH = OT_LIGHT_STEPS;

static struct {
    uint8_t pattern; /* where the pattern begins in `steps` */
    uint8_t at;      /* the step that is playing */
    uint8_t left;    /* units of it that remain */
    uint16_t since; /* in units */
} light;

static uint16_t now(void) { return (uint16_t)(ot_port_tick() >> UNIT_TICKS_LOG); }

static void play(uint8_t at)
{
    light.at = at;
    light.left = ot_flash_u8(&steps[at]);
    ot_port_light(((uint8_t)(at - light.pattern) & 1u) == 0u);
}

void ot_light_set(ot_light pattern)
{
    if (light.left == 0u || light.pattern != (uint8_t)pattern) {
        light.pattern = (uint8_t)pattern;
        light.since = now();
        play(light.pattern);
    }
}

void ot_light_poll(void)
{
    if ((uint16_t)(now() - light.since) < STEP_UNITS) {
        return;
    }
    light.since = (uint16_t)(light.since + STEP_UNITS);
    light.left--;
    if (light.left == 0u) {
        uint8_t next = (uint8_t)(light.at + 1u);
        play(ot_flash_u8(&steps[next]) == 0u ? light.pattern : next);
    }
}
