#include "ot_logger.h"

#include "ot_card.h"
#include "ot_compiler.h"
#include "ot_desk.h"
#include "ot_flash.h"
#include "ot_framer.h"
#include "ot_light.h"
#include "ot_memory.h"
#include "ot_port.h"
#include "ot_ring.h"
#include "ot_sensors.h"
#include "ot_shelf.h"
#include "ot_time.h"
#include "ot_work.h"

#define TICKS_PER_S (1000u * OT_TICKS_PER_MS)
#define BAUD_UNKNOWN 57600ul /* common practice for receivers, no source; only until a journal says otherwise */
#define GAP_UNKNOWN 4u
#define WRITE_MS 2000u /* far above what cards are allowed: a slow line rides out even that */
#define RETRY_MS 500u
#define REFUSED_MAX 3u
#define LAP_WORTH_IT 64u /* blocks of a journal that repeats the descriptions on each lap: two of them */
#define BUSY_SHIFT 4u
#define SUPPLY_ROOM (OT_MESSAGE_SUPPLY_SIZE + OT_SHELF_HEAD + OT_MESSAGE_LOSS_SIZE) /* a loss finds room after it */

ot_journal ot_the_journal;

ot_work ot_the_work;

ot_memory ot_the_memory OT_LAST_IN_RAM;

/* The ring begins where the sensors' memory ends (C99 has no static assert). */
typedef char ot_assert_sensor_bytes[sizeof ot_the_memory.on <= OT_SHELF_BYTES + OT_SENSOR_BYTES ? 1 : -1];

/* The state of the recording; all of it belongs to the main loop. */
static struct {
    uint32_t since; /* when the card went busy, or, without one, was last looked for */
    uint32_t supply_at;
    uint32_t unsent;  /* line bytes that a block of the card's has lost, and that are not staged yet */
    uint32_t at_risk; /* line bytes that the newest block accounts for, should the card lose it */
    uint16_t newest;  /* low half of that block's number, and of its journal's id */
    uint16_t id;
    uint16_t busy_longest; /* since the last supply frame, in 16 ticks */
    uint8_t refused : 3;   /* up to REFUSED_MAX + 1 */
    bool recording : 1;
    bool busy : 1;
    bool lossy : 1;
    bool end_staged : 1;
    bool finish_due : 1; /* a quiet line: the card shall end its work once it is not busy */
} logger;

static uint32_t byte_ticks_q8(uint32_t baud) { return (10u * TICKS_PER_S * 256u) / baud; }

static uint16_t gap_ticks(uint32_t baud, uint8_t gap_bytes)
{
    uint32_t gap = ((uint32_t)(gap_bytes + 1u) * byte_ticks_q8(baud)) >> 8;
    return gap < OT_PAUSE_MAX ? (uint16_t)gap : OT_PAUSE_MAX - 1u;
}

/* The sensors' memory, once given, stays theirs: frames may lie on the longer shelf. Returns the bytes that were heard before
 * and are dropped. */
static uint32_t listen(uint32_t baud, uint8_t gap_bytes)
{
    uint8_t *begin = &ot_the_memory.bytes[OT_SHELF_BYTES];
    uint16_t size = OT_RING_BYTES;
    if ((gap_bytes & OT_GAP_SENSORS) != 0u) {
        begin += OT_SENSOR_BYTES;
        size = OT_RING_BYTES - OT_SENSOR_BYTES - OT_SENSOR_STACK_BYTES;
        gap_bytes &= (uint8_t)~OT_GAP_SENSORS;
    }
    ot_port_serial_stop();
    uint32_t dropped = ot_ring_start(begin, size, gap_ticks(baud, gap_bytes));
    ot_framer_start(byte_ticks_q8(baud));
    ot_port_serial_start(baud, false);
    return dropped;
}

/* What the light plays, by ot_card_state. */
static const uint8_t state_lights[] OT_FLASH = {
    OT_LIGHT_RECORDING,  OT_LIGHT_NO_CARD,    OT_LIGHT_CARD_FAILED, OT_LIGHT_NOT_FAT,
    OT_LIGHT_NO_JOURNAL, OT_LIGHT_FRAGMENTED, OT_LIGHT_FULL,        OT_LIGHT_DAMAGED,
};

uint8_t ot_logger_mount(void (*idle)(void))
{
    return ot_card_start(idle) ? ot_journal_open(&ot_the_journal) : (uint8_t)OT_CARD_STATE_NO_CARD;
}

/* False when the shelf is full. */
static bool stage_loss(uint8_t cause, uint32_t count, uint32_t tick)
{
    ot_message_loss loss = {cause, count};
    bool staged = ot_shelf_stage(OT_MESSAGE_LOSS, tick, &loss);
    logger.lossy = staged || logger.lossy;
    return staged;
}

/* One loss of the card's stands on the shelf for all, before the ring's bytes, where they were. */
static OT_NOINLINE void stage_unsent(void)
{
    if (ot_shelf_add_loss(OT_LOSS_CAUSE_CARD, logger.unsent) || stage_loss(OT_LOSS_CAUSE_CARD, logger.unsent, ot_port_tick())) {
        logger.unsent = 0;
    }
}

/* Put what the interrupt noticed on the shelf, once there is room for both kinds. */
static OT_NOINLINE void stage_faults(void)
{
    if (logger.unsent != 0u) {
        stage_unsent();
    }
    uint16_t overruns;
    uint16_t framings;
    uint32_t tick;
    if (!ot_shelf_has_room(2u * OT_MESSAGE_LOSS_SIZE + OT_SHELF_HEAD) || !ot_ring_take_faults(&overruns, &framings, &tick)) {
        return;
    }
    if (overruns != 0u) {
        (void)stage_loss(OT_LOSS_CAUSE_OVERRUN, overruns, tick); /* the shelf has room for both */
    }
    if (framings != 0u) {
        (void)stage_loss(OT_LOSS_CAUSE_FRAMING, framings, tick);
    }
}

/* The line is being heard with other settings than the journal's. */
static OT_NOINLINE bool line_differs(void)
{
    const ot_settings *s = &ot_the_journal.settings;
    return byte_ticks_q8(s->baud) != ot_framer_byte_ticks_q8() || gap_ticks(s->baud, s->gap_bytes) != ot_ring.gap_ticks;
}

static bool lacks_sensors(void) { return ot_the_journal.settings.has_sensors && !ot_shelf_has_sensors(); }

static OT_NOINLINE void remember_settings(void)
{
    const ot_settings *s = &ot_the_journal.settings;
    ot_port_settings_save(s->baud, s->has_sensors ? s->gap_bytes | OT_GAP_SENSORS : s->gap_bytes);
}

static OT_NOINLINE void listen_anew(void)
{
    const ot_settings *s = &ot_the_journal.settings;
    bool sensors = s->has_sensors || ot_shelf_has_sensors();
    ot_port_serial_stop();
    stage_faults(); /* they were heard, though at another speed */
    uint32_t dropped = listen(s->baud, sensors ? s->gap_bytes | OT_GAP_SENSORS : s->gap_bytes);
    if (dropped != 0u && !stage_loss(OT_LOSS_CAUSE_SETTINGS, dropped, ot_port_tick())) {
        logger.unsent += dropped; /* the shelf is full of the card's troubles: counted with them */
    }
}

/* The journal decides the settings. When they differ from those the line was heard with so far, what was heard was
 * heard wrongly: it is dropped and counted, and the board remembers the right ones for the next time. So it is when sensors
 * need a part of the ring for the first time. Nothing is kept on the stack while the board remembers: that goes deepest. */
static OT_NOINLINE void adopt_settings(void)
{
    if (line_differs() || ot_the_journal.settings.has_sensors || ot_shelf_has_sensors()) {
        remember_settings(); /* what it remembers may be of a journal without sensors, between two with them */
    }
    if (line_differs() || lacks_sensors()) {
        listen_anew();
    }
}

static OT_NOINLINE void describe_settings(void (*put)(const uint8_t *bytes, uint16_t count))
{
    uint8_t zeros[OT_HEAD_JOURNAL_SENSORS_SIZE] = {0};
    if (ot_the_journal.settings.has_sensors) {
        ot_record_put(&ot_head_journal_sensors_layout, &ot_the_memory.on.sensors.settings, put);
    } else {
        put(zeros, sizeof zeros);
    }
}

static OT_NOINLINE void describe_start(void (*put)(const uint8_t *bytes, uint16_t count))
{
    const ot_settings *s = &ot_the_journal.settings;
    ot_part_run_start start = {.firmware_major = OT_FIRMWARE_MAJOR,
                               .firmware_minor = OT_FIRMWARE_MINOR,
                               .firmware_patch = OT_FIRMWARE_PATCH,
                               .board = ot_port_board_code(),
                               .spec_hash = OT_SPEC_HASH,
                               .baud = s->baud,
                               .tick_ns = OT_TICK_NS,
                               .when_full = s->when_full,
                               .gap_bytes = s->gap_bytes,
                               .close_ms = s->close_ms,
                               .supply_s = s->supply_s,
                               .reset_cause = ot_port_reset_cause()};
    ot_record_put(&ot_part_run_start_layout, &start, put);
}

/* In two parts, one after the other, for the stack's sake. */
OT_NOINLINE void ot_logger_describe_run(void (*put)(const uint8_t *bytes, uint16_t count))
{
    describe_start(put);
    describe_settings(put);
}

/* The card is gone or of no use: what waits in the ring goes into the next run. */
static void card_lost(void)
{
    logger.recording = false;
    logger.since = ot_port_tick();
    ot_light_set(OT_LIGHT_CARD_FAILED);
}

static OT_NOINLINE void begin_run(void)
{
    bool sensors = ot_the_journal.settings.has_sensors;
    logger.lossy = false;
    adopt_settings();
    if (sensors && !ot_journal_read_sensors(&ot_the_journal, &ot_the_memory.on.sensors.settings)) {
        card_lost();
        return;
    }
    ot_sensors_start(sensors);
    ot_the_journal.last_run++;
    logger.busy = false;
    logger.refused = 0;
    logger.end_staged = false;
    logger.supply_at = ot_port_tick();
    ot_port_supply_start();
    ot_framer_begin_run(ot_port_tick());
    logger.recording = true;
}

/* The card was up before and is again. If the block that it took last is not whole on it, it was lost with the card's power. */
static void settle_risk(void)
{
    if (logger.id == (uint16_t)ot_the_journal.settings.journal_id &&
        (int16_t)(ot_the_journal.newest - logger.newest) < 0) {
        logger.unsent += logger.at_risk;
    }
    logger.at_risk = 0;
}

static void try_mount(void)
{
    uint8_t state = ot_logger_mount(ot_light_poll);
    ot_light_set((ot_light)ot_flash_u8(&state_lights[state]));
    if (state == OT_CARD_STATE_READY) {
        settle_risk();
        begin_run();
    }
    logger.since = ot_port_tick();
}

static OT_NOINLINE void listen_as_before(void)
{
    uint32_t baud = BAUD_UNKNOWN;
    uint8_t gap_bytes = GAP_UNKNOWN;
    (void)ot_port_settings_load(&baud, &gap_bytes);
    (void)listen(baud, gap_bytes);
}

void ot_logger_start(void)
{
    ot_light_set(OT_LIGHT_SEARCHING);
    if ((ot_port_reset_cause() & OT_RESET_CAUSE_EXTERNAL) != 0u) {
        ot_desk_run();
        ot_light_set(OT_LIGHT_SEARCHING);
    }
    listen_as_before();
    try_mount();
}

static OT_NOINLINE void stage_supply(void)
{
    ot_message_supply supply;
    uint32_t now = ot_port_tick();
    if (ot_shelf_has_room(SUPPLY_ROOM) && ot_port_supply_ready(&supply.supply_mv)) {
        supply.card_busy_ms = (uint16_t)(((uint32_t)logger.busy_longest << BUSY_SHIFT) / OT_TICKS_PER_MS);
        logger.busy_longest = 0;
        if (!ot_shelf_stage(OT_MESSAGE_SUPPLY, now, &supply)) {
            return; /* cannot be: the shelf had room just above */
        }
    }
    uint32_t interval = ot_the_journal.settings.supply_s * TICKS_PER_S;
    if (now - logger.supply_at >= interval && !ot_sensors_convert()) {
        logger.supply_at += interval;
        ot_port_supply_start();
    }
}

static void put_body(void)
{
    ot_framer_write(ot_the_journal.settings.journal_id, ot_the_journal.number, ot_the_journal.last_run);
}

static void end_full(void)
{
    logger.recording = false;
    logger.since = ot_port_tick();
    ot_card_finish();
    ot_light_set(OT_LIGHT_FULL);
}

/* What readers of this run need stood in blocks that are overwritten now. In a short journal it would leave little room
 * for anything else. */
static OT_NOINLINE void begin_lap(void)
{
    if (ot_the_journal.settings.blocks >= LAP_WORTH_IT) {
        ot_framer_describe_again(ot_port_tick());
        ot_sensors_meet_again();
    }
}

static OT_NOINLINE void on_accepted(void)
{
    logger.at_risk = ot_framer_release();
    logger.newest = (uint16_t)ot_the_journal.number;
    logger.id = (uint16_t)ot_the_journal.settings.journal_id;
    logger.refused = 0;
    logger.busy = true;
    logger.since = ot_port_tick();
    if (!ot_journal_advance(&ot_the_journal)) {
        end_full();
    } else if (ot_the_journal.position == 1u) {
        begin_lap();
    }
}

static OT_NOINLINE void on_not_taken(ot_card_answer answer)
{
    logger.unsent += ot_framer_refused();
    logger.refused++;
    if (answer != OT_CARD_REFUSED || logger.refused > REFUSED_MAX) {
        card_lost();
    }
}

static OT_NOINLINE void write_block(void)
{
    uint32_t sector = ot_fat_sector(&ot_the_journal.file, ot_the_journal.position);
    if (sector == 0u) {
        card_lost(); /* past the file's end: cannot be, and must not become a write to the card's first sector */
        return;
    }
    ot_card_answer answer = ot_card_write(sector, put_body);
    if (answer == OT_CARD_ACCEPTED) {
        on_accepted();
    } else {
        on_not_taken(answer);
    }
}

/* On the journal's last block under `stop`, the run's end takes its place beside the last frames. */
static bool is_last_block(void)
{
    return ot_the_journal.settings.when_full == OT_WHEN_FULL_STOP &&
           ot_the_journal.position + 1u == ot_the_journal.settings.blocks;
}

static bool is_old(const ot_plan *plan) { return ot_time_passed(plan->open_tick, ot_the_journal.settings.close_ms); }

static void note_busy(void)
{
    uint16_t lasted = (uint16_t)((ot_port_tick() - logger.since) >> BUSY_SHIFT);
    if (lasted > logger.busy_longest) {
        logger.busy_longest = lasted;
    }
}

static void record(void)
{
    const ot_plan *plan = &ot_the_work.block.plan;
    stage_faults();
    stage_supply();
    ot_sensors_poll();
    if (logger.busy) {
        logger.busy = ot_card_busy();
        note_busy();
        if (logger.busy) {
            if (ot_time_passed(logger.since, WRITE_MS)) {
                card_lost();
            }
            return;
        }
        if (logger.finish_due) {
            ot_card_finish();
        }
    }
    if (ot_ring_fill() == 0u) {
        ot_ring_close_loss();
    }
    ot_framer_plan();
    if (!plan->any) {
        return;
    }
    bool old = is_old(plan) || ot_shelf_is_crowded();
    if (is_last_block() && (plan->full || old) && !logger.end_staged) {
        /* The shelf goes first in a block, so the end has its place; line bytes that no longer fit come too late. */
        ot_message_run_end end = {OT_END_REASON_JOURNAL_FULL};
        ot_framer_cut_start();
        logger.end_staged = ot_shelf_stage(OT_MESSAGE_RUN_END, ot_port_tick(), &end);
        ot_framer_plan();
    }
    if (plan->full || old) {
        logger.finish_due = !plan->full;
        write_block();
    }
    if (logger.lossy || ot_ring.dropping) {
        logger.lossy = true;
        ot_light_set(OT_LIGHT_RECORDING_LOSSY);
    }
}

void ot_logger_poll(void)
{
    ot_light_poll();
    if (logger.recording) {
        record();
    } else if (ot_time_passed(logger.since, RETRY_MS)) {
        try_mount();
    }
}
