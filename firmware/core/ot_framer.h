/* The framer turns what waits in the ring and on the staging shelf into blocks, while they go out to the card.
 *
 * A block is first planned (which frames, how long) and then written from the plan. Nothing is taken from the ring
 * until ot_framer_release(), so a block that the card refuses can be written again. */
#ifndef OT_FRAMER_H
#define OT_FRAMER_H

#include <stdbool.h>
#include <stdint.h>

/* Where a walk over the waiting frames stands. */
typedef struct {
    uint16_t room;     /* bytes of frame space left in the block */
    uint16_t position; /* next ring byte */
    uint16_t limit;    /* ring bytes from here on are for a later block */
    uint16_t burst_at; /* position and tick of the burst that `position` is in */
    uint32_t burst_tick;
    uint8_t shelf_at; /* next staged frame */
    uint8_t mark_at;
    uint8_t loss_at;
} ot_walk;

typedef struct {
    ot_walk stop; /* it starts at what was not released yet */
    uint32_t open_tick;
    uint8_t start_left; /* start frames still to come after it: the run's start, and a description of each message */
    bool any : 1;  /* there is something to write */
    bool full : 1; /* nothing more fits */
} ot_plan;

/* The ring begins anew; the shelf stays. `byte_ticks_q8` is the length of a byte on the line in 1/256 ticks. */
void ot_framer_start(uint32_t byte_ticks_q8);

uint32_t ot_framer_byte_ticks_q8(void);

/* The next block begins with a run's start, even if nothing else waits: what waits belongs to that run. Encoded by
 * ot_logger_describe_run() when it goes out. The descriptions of all messages follow before anything else. */
void ot_framer_begin_run(uint32_t tick);

/* The descriptions once more: a journal that goes on over its oldest blocks has come to those of the run's start. */
void ot_framer_describe_again(uint32_t tick);

/* No more descriptions: the journal's last block must have room for the run's end. */
void ot_framer_cut_start(void);

/* Plan the next block, in ot_the_work, from what waits now. */
void ot_framer_plan(void);

/* Put the planned block's 512 bytes: the body of an ot_card_write(). */
void ot_framer_write(uint32_t journal_id, uint32_t block_number, uint16_t run_number);

/* The card has the block: its bytes may be overwritten. Returns how many line bytes it accounts for, logged or counted
 * lost. */
uint32_t ot_framer_release(void);

/* The card does not have the block. It can be planned anew; returns how many line bytes it can no longer account for, since
 * those that were sent had to make room for new ones. */
uint32_t ot_framer_refused(void);

#endif
