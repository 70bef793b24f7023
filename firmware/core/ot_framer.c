#include "ot_framer.h"

#include <string.h>

#include "ot_block.h"
#include "ot_bytes.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_flash.h"
#include "ot_frame.h"
#include "ot_port.h"
#include "ot_ring.h"
#include "ot_spec.h"

#define SHELF_HEAD 6u /* tick, code, size */
#define RAW_MIN 8u    /* a shorter piece of a burst waits for the next block */

/* Everything here belongs to the main loop. */
static struct {
    uint32_t byte_ticks_q8;
    uint16_t burst_at;
    uint32_t burst_tick;
    uint8_t shelf_size;
    uint8_t shelf[OT_SHELF_BYTES];
} framer;

/* One frame of the walk. */
typedef struct {
    const uint8_t *payload; /* null for bytes in the ring */
    uint32_t tick;
    uint16_t length;
    uint16_t position; /* of its first byte in the ring */
    uint8_t code;
    uint8_t loss[OT_MESSAGE_LOSS_SIZE];
} step;

void ot_framer_start(uint32_t byte_ticks_q8)
{
    framer.byte_ticks_q8 = byte_ticks_q8;
    framer.burst_at = 0;
    framer.burst_tick = 0;
}

bool ot_framer_shelf_has_room(uint8_t size)
{
    return (uint16_t)(framer.shelf_size + SHELF_HEAD + size) <= OT_SHELF_BYTES - (SHELF_HEAD + OT_MESSAGE_RUN_START_SIZE);
}

bool ot_framer_stage(uint8_t code, uint32_t tick, const void *record)
{
    const ot_layout *layout;
    ot_layout l;
    ot_flash_copy(&layout, &ot_message_layouts[code], sizeof layout);
    ot_flash_copy(&l, layout, sizeof l);
    uint8_t *at = &framer.shelf[framer.shelf_size];
    if (code == OT_MESSAGE_RUN_START) {
        at = framer.shelf;
        if (framer.shelf_size != 0u && at[4] == OT_MESSAGE_RUN_START) {
            /* A run that never came to be: its start is written over. */
            framer.shelf_size = (uint8_t)(framer.shelf_size - (SHELF_HEAD + OT_MESSAGE_RUN_START_SIZE));
        } else {
            memmove(&at[SHELF_HEAD + OT_MESSAGE_RUN_START_SIZE], at, framer.shelf_size);
        }
    } else if (!ot_framer_shelf_has_room(l.fixed_size)) {
        return false;
    }
    ot_put_u32(at, tick);
    at[4] = code;
    at[5] = ot_record_encode(layout, record, &at[SHELF_HEAD]);
    framer.shelf_size = (uint8_t)(framer.shelf_size + SHELF_HEAD + l.fixed_size);
    return true;
}

static OT_NOINLINE uint32_t computed_tick(const ot_walk *walk)
{
    uint16_t since = (uint16_t)(walk->position - walk->burst_at);
    return walk->burst_tick + ((since * framer.byte_ticks_q8) >> 8);
}

static OT_NOINLINE const ot_mark *next_mark(const ot_walk *walk) { return &ot_ring.marks[walk->mark_at & (OT_MARKS - 1u)]; }

static OT_NOINLINE const ot_loss *next_loss(const ot_walk *walk)
{
    return &ot_ring.losses[walk->loss_at & (OT_LOSSES - 1u)];
}

static OT_NOINLINE bool mark_here(const ot_walk *walk, uint8_t mark_in)
{
    return walk->mark_at != mark_in && next_mark(walk)->position == walk->position;
}

static OT_NOINLINE bool loss_here(const ot_walk *walk, uint8_t loss_in)
{
    return walk->loss_at != loss_in && next_loss(walk)->position == walk->position;
}

static bool earlier(uint32_t tick, uint32_t than) { return (int32_t)(tick - than) < 0; } /* ticks wrap */

/* Tick of the earliest thing that waits: the ring's first, or something on the shelf. */
static OT_NOINLINE uint32_t earliest_tick(const ot_walk *walk, uint8_t mark_in, uint8_t loss_in)
{
    uint32_t tick = ot_get_u32(framer.shelf);
    if (loss_here(walk, loss_in)) {
        tick = next_loss(walk)->tick;
    } else if (walk->position != walk->limit) {
        tick = mark_here(walk, mark_in) ? next_mark(walk)->tick : computed_tick(walk);
    }
    for (uint8_t at = 0; at != framer.shelf_size; at = (uint8_t)(at + SHELF_HEAD + framer.shelf[at + 5u])) {
        uint32_t staged = ot_get_u32(&framer.shelf[at]);
        tick = earlier(staged, tick) ? staged : tick;
    }
    return tick;
}

/* Take the room that a frame of `length` needs; false when it does not fit whole. */
static OT_NOINLINE bool take_room(ot_walk *walk, uint16_t length, uint32_t offset)
{
    uint16_t size = (uint16_t)(OT_FRAME_HEAD_SIZE + ot_frame_tick_size(offset) + length + OT_FRAME_CHECK_SIZE);
    if (size > walk->room) {
        return false;
    }
    walk->room = (uint16_t)(walk->room - size);
    return true;
}

/* How many ring bytes follow `position` before the next mark, loss or the limit. */
static OT_NOINLINE uint16_t piece_length(const ot_walk *walk, uint8_t mark_in, uint8_t loss_in)
{
    uint16_t length = (uint16_t)(walk->limit - walk->position);
    if (walk->mark_at != mark_in) {
        uint16_t to_mark = (uint16_t)(next_mark(walk)->position - walk->position);
        length = to_mark < length ? to_mark : length;
    }
    if (walk->loss_at != loss_in) {
        uint16_t to_loss = (uint16_t)(next_loss(walk)->position - walk->position);
        length = to_loss < length ? to_loss : length;
    }
    return length;
}

static OT_NOINLINE bool walk_ring(ot_walk *walk, uint32_t open_tick, step *frame, bool *full)
{
    uint8_t mark_in = ot_ring.mark_in;
    bool begins = mark_here(walk, mark_in);
    frame->code = begins ? OT_MESSAGE_RAW : OT_MESSAGE_RAW_MORE;
    frame->tick = begins ? next_mark(walk)->tick : computed_tick(walk);
    frame->payload = 0;
    frame->position = walk->position;
    uint16_t overhead = (uint16_t)(OT_FRAME_HEAD_SIZE + ot_frame_tick_size(frame->tick - open_tick) + OT_FRAME_CHECK_SIZE);
    if (walk->room < overhead + RAW_MIN) {
        *full = true;
        return false;
    }
    if (begins) {
        walk->burst_at = walk->position;
        walk->burst_tick = frame->tick;
        walk->mark_at++;
    }
    uint16_t length = piece_length(walk, mark_in, ot_ring.loss_in);
    uint16_t room = (uint16_t)(walk->room - overhead);
    if (length >= room) {
        length = room;
        *full = true;
    }
    frame->length = length;
    walk->room = (uint16_t)(room - length);
    walk->position = (uint16_t)(walk->position + length);
    return true;
}

/* The next frame that fits, in order: the shelf, then the ring with its losses. False at the end; `full` says why. */
static bool walk_next(ot_walk *walk, uint32_t open_tick, step *frame, bool *full)
{
    if (*full) {
        return false;
    }
    if (walk->shelf_at != framer.shelf_size) {
        const uint8_t *at = &framer.shelf[walk->shelf_at];
        frame->tick = ot_get_u32(at);
        frame->code = at[4];
        frame->length = at[5];
        frame->payload = &at[SHELF_HEAD];
        *full = !take_room(walk, frame->length, frame->tick - open_tick);
        if (!*full) {
            walk->shelf_at = (uint8_t)(walk->shelf_at + SHELF_HEAD + at[5]);
        }
        return !*full;
    }
    if (loss_here(walk, ot_ring.loss_in)) {
        const ot_loss *loss = next_loss(walk);
        ot_message_loss record = {OT_LOSS_CAUSE_RING_FULL, loss->count};
        frame->tick = loss->tick;
        frame->code = OT_MESSAGE_LOSS;
        frame->length = ot_record_encode(&ot_message_loss_layout, &record, frame->loss);
        frame->payload = frame->loss;
        *full = !take_room(walk, frame->length, frame->tick - open_tick);
        if (!*full) {
            walk->loss_at++;
        }
        return !*full;
    }
    return walk->position != walk->limit && walk_ring(walk, open_tick, frame, full);
}

static void walk_start(ot_walk *walk, uint16_t limit)
{
    walk->room = OT_BLOCK_SPACE;
    walk->position = ot_ring.out;
    walk->limit = limit;
    walk->burst_at = framer.burst_at;
    walk->burst_tick = framer.burst_tick;
    walk->shelf_at = 0;
    walk->mark_at = ot_ring.mark_out;
    walk->loss_at = ot_ring.loss_out;
}

void ot_framer_plan(ot_plan *plan)
{
    step frame;
    ot_walk *walk = &plan->stop;
    uint8_t state = ot_port_lock();
    walk_start(walk, ot_ring_in());
    uint8_t mark_in = ot_ring.mark_in;
    uint8_t loss_in = ot_ring.loss_in;
    ot_port_unlock(state);
    plan->full = false;
    plan->any = framer.shelf_size != 0u || walk->position != walk->limit || loss_here(walk, loss_in);
    if (!plan->any) {
        return;
    }
    plan->open_tick = earliest_tick(walk, mark_in, loss_in);
    while (walk_next(walk, plan->open_tick, &frame, &plan->full)) {
    }
    if (!plan->full && walk->room > RAW_MIN) {
        /* The interrupt begins a new raw frame, with a measured tick, just where this block will be full. */
        ot_ring_aim_cut(walk->limit, (uint16_t)(walk->limit + walk->room));
    }
}

/* Where a block's bytes go, and the checks they are run through. */
static struct {
    void (*put)(uint8_t byte);
    uint32_t block_crc;
    uint32_t frame_crc;
} sink;

static void put_block(uint8_t byte)
{
    sink.put(byte);
    sink.block_crc = ot_crc32_add(sink.block_crc, byte);
}

static void put_frame(uint8_t byte)
{
    sink.put(byte);
    sink.block_crc = ot_crc32_add(sink.block_crc, byte);
    sink.frame_crc = ot_crc32_add(sink.frame_crc, byte);
}

static void put_check(uint32_t crc, void (*put)(uint8_t byte))
{
    crc = (uint32_t)~crc;
    for (uint8_t i = 0; i < 4u; i++) {
        put((uint8_t)crc);
        crc >>= 8;
    }
}

static OT_NOINLINE void write_frame(const step *frame, uint32_t open_tick, uint32_t seed)
{
    uint8_t head[OT_FRAME_HEAD_SIZE + OT_FRAME_TICK_SIZE_MAX];
    uint8_t size = ot_frame_open(head, frame->code, frame->length, frame->tick - open_tick);
    sink.frame_crc = seed;
    for (uint8_t i = 0; i < size; i++) {
        put_frame(head[i]);
    }
    const uint8_t *at = frame->payload != 0 ? frame->payload : ot_ring_at(frame->position);
    for (uint16_t i = frame->length; i != 0u; i--) {
        put_frame(*at++);
        if (at == ot_ring.end) { /* which is nowhere in a payload */
            at = ot_ring.begin;
        }
    }
    put_check(sink.frame_crc, put_block);
}

static OT_NOINLINE void write_header(const ot_plan *plan, uint32_t journal_id, uint32_t block_number, uint16_t run_number)
{
    uint8_t head[OT_BLOCK_HEADER_SIZE];
    ot_block_header header = {.version = OT_BLOCK_VERSION,
                              .used_bytes = (uint16_t)(OT_BLOCK_SPACE - plan->stop.room),
                              .journal_id = journal_id,
                              .block_number = block_number,
                              .run_number = run_number,
                              .open_tick = plan->open_tick};
    ot_block_header_put(head, &header);
    for (uint8_t i = 0; i < OT_BLOCK_HEADER_SIZE; i++) {
        put_block(head[i]);
    }
}

static OT_NOINLINE void write_frames(const ot_plan *plan, uint32_t seed)
{
    step frame;
    ot_walk walk;
    bool full = false;
    /* What came since the plan belongs to a later block, so that this repeats exactly that walk. */
    walk_start(&walk, plan->stop.position);
    while ((walk.shelf_at != plan->stop.shelf_at || walk.loss_at != plan->stop.loss_at ||
            walk.position != plan->stop.position) &&
           walk_next(&walk, plan->open_tick, &frame, &full)) {
        write_frame(&frame, plan->open_tick, seed);
    }
}

void ot_framer_write(const ot_plan *plan, uint32_t journal_id, uint32_t block_number, uint16_t run_number,
                     void (*put)(uint8_t byte))
{
    sink.put = put;
    sink.block_crc = OT_CRC32_START;
    write_header(plan, journal_id, block_number, run_number);
    write_frames(plan, ot_frame_seed(journal_id, block_number));
    for (uint16_t i = (uint16_t)(OT_BLOCK_SPACE - plan->stop.room); i < OT_BLOCK_SPACE; i++) {
        put_block(0);
    }
    put_check(sink.block_crc, put);
}

void ot_framer_release(const ot_plan *plan)
{
    framer.burst_at = plan->stop.burst_at;
    framer.burst_tick = plan->stop.burst_tick;
    framer.shelf_size = (uint8_t)(framer.shelf_size - plan->stop.shelf_at);
    memmove(framer.shelf, &framer.shelf[plan->stop.shelf_at], framer.shelf_size);
    ot_ring_release(plan->stop.position, plan->stop.mark_at, plan->stop.loss_at);
}
