#include "ot_framer.h"

#include "ot_block.h"
#include "ot_bytes.h"
#include "ot_card.h"
#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_flash.h"
#include "ot_frame.h"
#include "ot_logger.h"
#include "ot_port.h"
#include "ot_ring.h"
#include "ot_shelf.h"
#include "ot_spec.h"
#include "ot_time.h"
#include "ot_work.h"

#define PIECE_PART 32u
#define CHUNK 32u /* a byte at a time would take four times as long; more would need more stack than line bytes do */
#define RAW_MIN 8u    /* a shorter piece of a burst waits for the next block */
#define START_FRAMES (OT_DESCRIPTIONS + 1u) /* of a whole start: the run's start comes first */
#define START_ALONE 0xffu                   /* the run's start, and no description after it */

/* Everything here belongs to the main loop. */
static struct {
    uint32_t byte_ticks_q8;
    uint16_t burst_at;
    uint32_t burst_tick;
    uint32_t run_tick;
    uint8_t start_left; /* start frames that are due; 0: none */
} framer;

/* One frame of the walk. */
typedef struct {
    const uint8_t *payload; /* null for bytes in the ring */
    uint32_t tick;
    uint16_t length;
    uint16_t position; /* of its first byte in the ring */
    uint8_t code;
} step;

void ot_framer_start(uint32_t byte_ticks_q8)
{
    framer.byte_ticks_q8 = byte_ticks_q8;
    framer.burst_at = 0;
    framer.burst_tick = 0;
}

uint32_t ot_framer_byte_ticks_q8(void) { return framer.byte_ticks_q8; }

void ot_framer_begin_run(uint32_t tick)
{
    framer.start_left = START_FRAMES;
    framer.run_tick = tick;
}

void ot_framer_describe_again(uint32_t tick)
{
    framer.start_left = OT_DESCRIPTIONS;
    framer.run_tick = tick;
}

void ot_framer_cut_start(void)
{
    framer.start_left = framer.start_left > OT_DESCRIPTIONS ? START_ALONE : 0u; /* once more after a refused block */
}

static OT_NOINLINE uint32_t computed_tick(const ot_walk *walk)
{
    uint16_t since = (uint16_t)(walk->position - walk->burst_at);
    return walk->burst_tick + ((since * framer.byte_ticks_q8) >> 8);
}

static OT_NOINLINE const ot_mark *next_mark(const ot_walk *walk) { return &ot_ring.marks[ot_mark_place(walk->mark_at)]; }

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

/* Tick of the earliest thing that waits: the ring's first, or something on the shelf. */
static OT_NOINLINE uint32_t earliest_tick(const ot_walk *walk, uint8_t mark_in, uint8_t loss_in)
{
    uint32_t tick = framer.start_left != 0u ? framer.run_tick : ot_shelf_first_tick();
    if (loss_here(walk, loss_in)) {
        tick = next_loss(walk)->tick;
    } else if (walk->position != walk->limit) {
        tick = mark_here(walk, mark_in) ? next_mark(walk)->tick : computed_tick(walk);
    }
    if (framer.start_left != 0u && ot_time_is_earlier(framer.run_tick, tick)) {
        tick = framer.run_tick;
    }
    return ot_shelf_earliest(tick);
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
        walk->mark_at = ot_mark_after(walk->mark_at);
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

/* The next frame that fits, in order, after a run's start: the shelf, then the ring with its losses. False at the end;
 * `full` says why. */
static bool walk_next(ot_walk *walk, uint32_t open_tick, step *frame, bool *full)
{
    if (*full) {
        return false;
    }
    if (walk->shelf_at != ot_shelf_size()) {
        ot_staged staged;
        ot_shelf_look(walk->shelf_at, &staged);
        frame->tick = staged.tick;
        frame->code = staged.code;
        frame->length = staged.length;
        frame->payload = staged.payload;
        *full = !take_room(walk, frame->length, frame->tick - open_tick);
        if (!*full) {
            walk->shelf_at = staged.next;
        }
        return !*full;
    }
    if (loss_here(walk, ot_ring.loss_in)) {
        const ot_loss *loss = next_loss(walk);
        ot_message_loss record = {OT_LOSS_CAUSE_RING_FULL, loss->count};
        frame->tick = loss->tick;
        frame->code = OT_MESSAGE_LOSS;
        frame->length = ot_record_encode(&ot_message_loss_layout, &record, ot_the_work.block.payload);
        frame->payload = ot_the_work.block.payload;
        *full = !take_room(walk, frame->length, frame->tick - open_tick);
        if (!*full) {
            walk->loss_at++;
        }
        return !*full;
    }
    return walk->position != walk->limit && walk_ring(walk, open_tick, frame, full);
}

/* The start frames that are still to come, one after the other. */
typedef struct {
    const uint8_t *at; /* in flash: the next description, its length first */
    uint8_t left;
} starts;

static OT_NOINLINE void starts_from(starts *s, uint8_t left)
{
    s->left = left;
    s->at = ot_descriptions;
    for (uint8_t i = OT_DESCRIPTIONS; i > left && left != 0u; i--) { /* mostly none are left */
        s->at += ot_flash_u8(s->at) + 1u;
    }
}

static bool is_run_start(const starts *s) { return s->left > OT_DESCRIPTIONS; }

static OT_NOINLINE uint8_t start_length(const starts *s)
{
    return is_run_start(s) ? OT_MESSAGE_RUN_START_SIZE : ot_flash_u8(s->at);
}

static OT_NOINLINE void next_start(starts *s)
{
    if (s->left == START_ALONE) {
        s->left = 0;
    } else {
        s->at += is_run_start(s) ? 0u : ot_flash_u8(s->at) + 1u;
        s->left--;
    }
}

/* As many of the start frames that are due as fit. Returns what is left of them. */
static OT_NOINLINE uint8_t walk_starts(ot_walk *walk, uint32_t open_tick)
{
    starts s;
    starts_from(&s, framer.start_left);
    while (s.left != 0u && take_room(walk, start_length(&s), framer.run_tick - open_tick)) {
        next_start(&s);
    }
    return s.left;
}

static OT_NOINLINE void walk_start(ot_walk *walk, uint16_t limit)
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

/* Line bytes that the block after this one can hold as one raw frame, behind the start frames that are still due. */
static uint16_t room_after_starts(uint8_t left)
{
    uint16_t room = OT_RAW_MAX;
    starts s;
    for (starts_from(&s, left); s.left != 0u; next_start(&s)) {
        uint16_t size = (uint16_t)(OT_FRAME_HEAD_SIZE + 1u + start_length(&s) + OT_FRAME_CHECK_SIZE);
        room = room > size ? (uint16_t)(room - size) : OT_RAW_MAX; /* or else those left go into another block before it */
    }
    return room;
}

/* The interrupt begins a new raw frame, with a measured tick, where the block at hand will be full, or else the one after
 * it: a piece that goes on from there may be that long. */
static void aim_cut(const ot_plan *plan)
{
    const ot_walk *stop = &plan->stop;
    if (plan->full) {
        ot_ring_aim_cut((uint16_t)(stop->position + room_after_starts(plan->start_left)), stop->position);
    } else if (stop->room > RAW_MIN) {
        ot_ring_aim_cut((uint16_t)(stop->limit + stop->room), (uint16_t)(stop->limit + stop->room));
    }
}

void ot_framer_plan(void)
{
    step frame;
    ot_plan *plan = ot_over_pointer(&ot_the_work.block.plan);
    ot_walk *walk = &plan->stop;
    uint8_t state = ot_port_lock();
    uint16_t limit = ot_ring_in();
    uint8_t mark_in = ot_ring.mark_in;
    uint8_t loss_in = ot_ring.loss_in;
    ot_port_unlock(state);
    ot_the_work.block.begin = ot_ring.out;
    walk_start(walk, limit);
    plan->any = framer.start_left != 0u || ot_shelf_size() != 0u || walk->position != walk->limit || loss_here(walk, loss_in);
    if (!plan->any) {
        return;
    }
    plan->open_tick = earliest_tick(walk, mark_in, loss_in);
    plan->start_left = walk_starts(walk, plan->open_tick);
    bool full = plan->start_left != 0u;
    while (walk_next(walk, plan->open_tick, &frame, &full)) {
    }
    plan->full = full;
    aim_cut(plan);
}

static void put_check(uint32_t crc)
{
    uint8_t bytes[4];
    ot_put_u32(bytes, (uint32_t)~crc);
    ot_card_put(bytes, sizeof bytes);
}

static OT_NOINLINE void write_header(uint32_t journal_id, uint32_t block_number, uint16_t run_number)
{
    const ot_plan *plan = &ot_the_work.block.plan;
    uint8_t head[OT_BLOCK_HEADER_SIZE];
    ot_block_header header = {.version = OT_BLOCK_VERSION,
                              .used_bytes = (uint16_t)(OT_BLOCK_SPACE - plan->stop.room),
                              .journal_id = journal_id,
                              .block_number = block_number,
                              .run_number = run_number,
                              .open_tick = plan->open_tick};
    ot_block_header_put(head, &header);
    ot_card_put(head, sizeof head);
}

static OT_NOINLINE void open_frame(uint8_t code, uint16_t length, uint32_t tick_offset, uint32_t seed)
{
    uint8_t head[OT_FRAME_HEAD_SIZE + OT_FRAME_TICK_SIZE_MAX];
    uint8_t size = ot_frame_open(head, code, length, tick_offset);
    ot_the_work.block.checks.frame = seed;
    ot_card_put(head, size);
}

static OT_NOINLINE void write_description(const uint8_t *at)
{
    uint8_t bytes[CHUNK];
    uint8_t length = ot_flash_u8(at++);
    while (length != 0u) {
        uint8_t part = length < CHUNK ? length : CHUNK;
        ot_flash_copy(bytes, at, part);
        ot_card_put(bytes, part);
        at += part;
        length = (uint8_t)(length - part);
    }
}

static OT_NOINLINE void write_zeros(uint16_t count)
{
    uint8_t zeros[CHUNK] = {0};
    while (count != 0u) {
        uint16_t part = count < CHUNK ? count : CHUNK;
        ot_card_put(zeros, part);
        count = (uint16_t)(count - part);
    }
}

static OT_NOINLINE void write_starts(uint32_t open_tick, uint32_t seed)
{
    starts s;
    for (starts_from(&s, framer.start_left); s.left != ot_the_work.block.plan.start_left; next_start(&s)) {
        bool is_run = is_run_start(&s);
        open_frame(is_run ? OT_MESSAGE_RUN_START : OT_MESSAGE_DESCRIPTION, start_length(&s), framer.run_tick - open_tick, seed);
        if (is_run) {
            ot_logger_describe_run(ot_card_put);
        } else {
            write_description(s.at);
        }
        put_check(ot_the_work.block.checks.frame);
    }
}

/* Send a piece of the ring. Where the line would soon find no room, what has been sent makes room at once: else new bytes
 * would be lost for certain, so only if the card then refuses the block. */
static OT_NOINLINE void write_piece(uint16_t position, uint16_t length)
{
    const uint8_t *at = ot_ring_at(position);
    while (length != 0u) {
        uint16_t part = (uint16_t)(ot_ring.end - at);
        part = part < length ? part : length;
        part = part < PIECE_PART ? part : PIECE_PART;
        ot_card_put(at, part);
        at += part;
        if (at == ot_ring.end) {
            at = ot_ring.begin;
        }
        position = (uint16_t)(position + part);
        length = (uint16_t)(length - part);
        ot_ring_release_if_short(position, 2u * PIECE_PART);
    }
}

static OT_NOINLINE void write_frame(const step *frame, uint32_t open_tick, uint32_t seed)
{
    open_frame(frame->code, frame->length, frame->tick - open_tick, seed);
    if (frame->payload != 0) {
        ot_card_put(frame->payload, frame->length);
    } else {
        write_piece(frame->position, frame->length);
    }
    put_check(ot_the_work.block.checks.frame);
}

static OT_NOINLINE void write_frames(uint32_t seed)
{
    const ot_plan *plan = &ot_the_work.block.plan;
    step frame;
    ot_walk walk;
    bool full = false;
    /* What came since the plan belongs to a later block, so that this repeats exactly that walk. */
    walk_start(&walk, plan->stop.position);
    (void)walk_starts(&walk, plan->open_tick);
    while ((walk.shelf_at != plan->stop.shelf_at || walk.loss_at != plan->stop.loss_at ||
            walk.position != plan->stop.position) &&
           walk_next(&walk, plan->open_tick, &frame, &full)) {
        write_frame(&frame, plan->open_tick, seed);
    }
}

void ot_framer_write(uint32_t journal_id, uint32_t block_number, uint16_t run_number)
{
    const ot_plan *plan = &ot_the_work.block.plan;
    uint32_t seed = ot_frame_seed(journal_id, block_number);
    ot_the_work.block.checks.block = OT_CRC32_START;
    write_header(journal_id, block_number, run_number);
    write_starts(plan->open_tick, seed);
    write_frames(seed);
    write_zeros(plan->stop.room);
    put_check(ot_the_work.block.checks.block);
}

/* Line bytes that the ring's losses from `loss_out` to `loss_at` count. */
static uint32_t ring_losses(uint8_t loss_at)
{
    uint32_t sum = 0;
    for (uint8_t i = ot_ring.loss_out; i != loss_at; i++) {
        sum += ot_ring.losses[i & (OT_LOSSES - 1u)].count;
    }
    return sum;
}

OT_NOINLINE uint32_t ot_framer_release(void)
{
    const ot_plan *plan = &ot_the_work.block.plan;
    uint32_t bytes = (uint16_t)(plan->stop.position - ot_the_work.block.begin);
    bytes += ot_shelf_take(plan->stop.shelf_at) + ring_losses(plan->stop.loss_at);
    framer.start_left = plan->start_left;
    framer.burst_at = plan->stop.burst_at;
    framer.burst_tick = plan->stop.burst_tick;
    ot_ring_release(plan->stop.position, plan->stop.mark_at, plan->stop.loss_at);
    return bytes;
}

uint32_t ot_framer_refused(void)
{
    uint16_t begin = ot_the_work.block.begin;
    uint16_t gone = (uint16_t)(ot_ring.out - begin);
    uint8_t mark_out = ot_ring.mark_out;
    uint8_t loss_at = ot_ring.loss_out;
    while (mark_out != ot_ring.mark_in) {
        const ot_mark *mark = &ot_ring.marks[ot_mark_place(mark_out)];
        if ((uint16_t)(mark->position - begin) >= gone) {
            break;
        }
        framer.burst_at = mark->position;
        framer.burst_tick = mark->tick;
        mark_out = ot_mark_after(mark_out);
    }
    while (loss_at != ot_ring.loss_in &&
           (uint16_t)(ot_ring.losses[loss_at & (OT_LOSSES - 1u)].position - begin) < gone) {
        loss_at++;
    }
    uint32_t bytes = gone + ring_losses(loss_at);
    ot_ring_release(ot_ring.out, mark_out, loss_at);
    return bytes;
}
