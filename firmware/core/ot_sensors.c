#include "ot_sensors.h"

#include <string.h>

#include "ot_compiler.h"
#include "ot_memory.h"
#include "ot_port.h"
#include "ot_shelf.h"
#include "ot_time.h"
#include "ot_wire.h"

#define INTERVAL_MS_MIN 20u /* whatever a header may say */

/* Each analogue value is the sum of 16 conversions, 14 bits; the one before them settles the input's change. */
#define CONVERSIONS 17u
#define SUM_BITS 14u

/* The pressure sensor, a BMP280. Addresses and values: its datasheet, BST-BMP280-DS001 (memory). */
#define PART 0x76u
#define PART_ID_AT 0xd0u
#define PART_ID 0x58u
#define PART_CONSTANTS_AT 0x88u
#define PART_STATUS_AT 0xf3u
#define PART_MEASURING 0x08u
#define PART_CONTROL_AT 0xf4u
#define PART_MEASURE 0x2du /* temperature once, pressure four times, then sleep */
#define PART_DATA_AT 0xf7u
#define PART_DATA_BYTES 6u
#define PART_LATEST_MS 20u /* 13.3 ms by the datasheet */

enum { PRESSURE_UNKNOWN, PRESSURE_READY, PRESSURE_MEASURING };

/* Main loop only: frames that the sensors owe and that are not staged as a loss yet. */
static uint16_t missing;

static OT_NOINLINE ot_sensor_state *the_state(void) { return ot_over_pointer(&ot_the_memory.on.sensors); }

static OT_NOINLINE void count_missing(void)
{
    if (missing != 0xffffu) {
        missing++;
    }
}

/* Times that passed while the main loop was at something else are owed: no frame makes up for them. */
static OT_NOINLINE bool is_due(uint32_t *due, uint16_t interval_ms)
{
    uint32_t late = ot_port_tick() - *due;
    if ((int32_t)late < 0) {
        return false;
    }
    uint32_t interval = (interval_ms < INTERVAL_MS_MIN ? INTERVAL_MS_MIN : interval_ms) * OT_TICKS_PER_MS;
    *due += interval;
    for (; late >= interval; late -= interval) {
        *due += interval;
        count_missing();
    }
    return true;
}

bool ot_sensor_log(uint8_t code, uint32_t tick, const void *record) { return ot_sensor_log_tail(code, tick, record, 0, 0); }

bool ot_sensor_log_tail(uint8_t code, uint32_t tick, const void *record, const uint8_t *tail, uint8_t tail_size)
{
    bool staged = ot_shelf_stage_sensor(code, tick, record, tail, tail_size);
    if (!staged) {
        count_missing();
    }
    return staged;
}

/* A loss of the sensors' own, all in one frame as long as that waits. True when it is on the shelf. */
static OT_NOINLINE bool stage_missing(uint8_t cause, uint16_t count)
{
    ot_message_loss loss = {cause, count};
    return count != 0u &&
           (ot_shelf_add_loss(cause, count) || ot_shelf_stage(OT_MESSAGE_LOSS, ot_port_tick(), &loss));
}

bool ot_sensors_convert(void) { return ot_shelf_has_sensors() && the_state()->conversion != 0u; }

static uint16_t scaled(uint16_t sum, uint16_t full_mv) { return (uint16_t)(((uint32_t)sum * full_mv) >> SUM_BITS); }

static OT_NOINLINE void poll_analogue(ot_sensor_state *s)
{
    if (s->conversion == 0u) {
        if (ot_port_supply_busy() || !is_due(&s->analogue_due, s->settings.analogue_ms)) {
            return;
        }
        s->analogue_tick = ot_port_tick();
        s->analogue_sum[0] = 0;
        s->analogue_sum[1] = 0;
    } else {
        uint16_t reading;
        if (!ot_port_analogue_ready(&reading)) {
            return;
        }
        if (s->conversion != 1u && s->conversion != 1u + CONVERSIONS) {
            uint16_t *sum = &s->analogue_sum[s->conversion > CONVERSIONS ? 1 : 0];
            *sum = (uint16_t)(*sum + reading);
        }
    }
    if (s->conversion != 2u * CONVERSIONS) {
        ot_port_analogue_start(s->conversion >= CONVERSIONS ? 1u : 0u);
        s->conversion++;
        return;
    }
    s->conversion = 0;
    ot_message_analogue analogue = {scaled(s->analogue_sum[0], s->settings.analogue_1_full_mv),
                                    scaled(s->analogue_sum[1], s->settings.analogue_2_full_mv)};
    (void)ot_log_analogue(s->analogue_tick, &analogue); /* counted if there is no room */
}

/* An edge becomes an event, with its own tick, when the new level still stands after the settling time. */
static OT_NOINLINE void poll_event(ot_sensor_state *s)
{
    if (!s->unsettled) {
        s->unsettled = ot_port_event_taken(&s->edge_tick);
        if (!s->unsettled) {
            return;
        }
    }
    if (!ot_time_passed(s->edge_tick, s->settings.event_debounce_ms)) {
        return;
    }
    /* The next edge is waited for first: one that came before that would be dated when the waiting begins. */
    uint32_t tick = s->edge_tick;
    bool level;
    s->unsettled = ot_port_event_arm(&level, &s->edge_tick);
    if (level != s->level) {
        ot_message_event event = {level ? OT_LEVEL_HIGH : OT_LEVEL_LOW, s->ignored};
        s->level = level;
        s->ignored = 0;
        (void)ot_log_event(tick, &event);
    } else if (s->ignored != 0xffffu) {
        s->ignored++;
    }
}

static OT_NOINLINE void poll_pulses(ot_sensor_state *s)
{
    s->pulses += ot_port_pulses();
    if (is_due(&s->pulses_due, s->settings.pulse_ms)) {
        ot_message_pulses pulses = {s->pulses, ot_port_pulse_period() * (OT_TICK_NS / 1000u)};
        (void)ot_log_pulses(ot_port_tick(), &pulses);
    }
}

/* Who the part is, and the constants that its readings are worked out with: once for each time it appears. */
static OT_NOINLINE bool meet_part(void)
{
    uint8_t bytes[OT_MESSAGE_PRESSURE_CONSTANTS_SIZE];
    ot_message_pressure_constants constants;
    return ot_wire_read(PART, PART_ID_AT, bytes, 1) && bytes[0] == PART_ID &&
           ot_wire_read(PART, PART_CONSTANTS_AT, bytes, sizeof bytes) &&
           ot_record_decode(&ot_message_pressure_constants_layout, bytes, sizeof bytes, &constants) == OT_OK &&
           ot_log_pressure_constants(ot_port_tick(), &constants);
}

static uint32_t reading_20_bits(const uint8_t *bytes)
{
    return ((uint32_t)bytes[0] << 12) | ((uint32_t)bytes[1] << 4) | (bytes[2] >> 4);
}

static OT_NOINLINE bool log_pressure(uint32_t tick)
{
    uint8_t bytes[PART_DATA_BYTES];
    if (!ot_wire_read(PART, PART_DATA_AT, bytes, sizeof bytes)) {
        return false;
    }
    ot_message_pressure pressure = {reading_20_bits(bytes), reading_20_bits(&bytes[3])};
    (void)ot_log_pressure(tick, &pressure);
    return true;
}

static OT_NOINLINE void poll_pressure(ot_sensor_state *s)
{
    bool answered = true;
    if (s->pressure_step == PRESSURE_MEASURING) {
        uint8_t status = PART_MEASURING;
        if (!ot_time_passed(s->pressure_tick, PART_LATEST_MS)) {
            return;
        }
        answered = ot_wire_read(PART, PART_STATUS_AT, &status, 1) && (status & PART_MEASURING) == 0u &&
                   log_pressure(s->pressure_tick);
        s->pressure_step = PRESSURE_READY;
    } else if (is_due(&s->pressure_due, s->settings.pressure_ms)) {
        if (s->pressure_step == PRESSURE_UNKNOWN) {
            if (!ot_shelf_has_sensor_room(OT_MESSAGE_PRESSURE_CONSTANTS_SIZE)) {
                count_missing(); /* without the constants no reading is worth anything */
                return;
            }
            answered = meet_part();
        }
        s->pressure_tick = ot_port_tick();
        answered = answered && ot_wire_write(PART, PART_CONTROL_AT, PART_MEASURE);
        s->pressure_step = PRESSURE_MEASURING;
    }
    if (!answered) {
        s->pressure_step = PRESSURE_UNKNOWN;
        s->silent++;
    }
}

void ot_sensors_start(bool any)
{
    ot_sensor_state *s = the_state();
    ot_port_sensors_start(0); /* nothing of before may write to what is cleared here */
    if (!ot_shelf_has_sensors()) {
        return;
    }
    ot_head_journal_sensors settings = s->settings;
    memset(s, 0, sizeof *s);
    if (!any) {
        return; /* their memory stays theirs, though this journal has none on */
    }
    s->settings = settings;
    uint32_t now = ot_port_tick();
    s->analogue_due = now;
    s->pulses_due = now;
    s->pressure_due = now;
    ot_port_sensors_start(settings.sensors);
    if ((settings.sensors & OT_SENSOR_EVENT) != 0u) {
        s->unsettled = ot_port_event_arm(&s->level, &s->edge_tick);
    }
}

void ot_sensors_meet_again(void)
{
    if (ot_shelf_has_sensors()) {
        ot_sensor_state *s = the_state();
        if (s->pressure_step == PRESSURE_MEASURING) {
            count_missing(); /* that reading */
        }
        s->pressure_step = PRESSURE_UNKNOWN;
    }
}

void ot_sensors_poll(void)
{
    if (stage_missing(OT_LOSS_CAUSE_SENSOR_ROOM, missing)) {
        missing = 0;
    }
    if (!ot_shelf_has_sensors()) {
        return;
    }
    ot_sensor_state *s = the_state();
    uint8_t on = s->settings.sensors;
    if (stage_missing(OT_LOSS_CAUSE_SENSOR_SILENT, s->silent)) {
        s->silent = 0;
    }
    if ((on & OT_SENSOR_ANALOGUE) != 0u) {
        poll_analogue(s);
    }
    if ((on & OT_SENSOR_EVENT) != 0u) {
        poll_event(s);
    }
    if ((on & OT_SENSOR_PULSES) != 0u) {
        poll_pulses(s);
    }
    if ((on & OT_SENSOR_PRESSURE) != 0u) {
        poll_pressure(s);
    }
}
