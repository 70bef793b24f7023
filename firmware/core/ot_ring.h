/* The ring: the receive interrupt puts the line's bytes in, the framer takes them out.
 *
 * Positions are counts of accepted bytes, 16 bits wide and wrapping: the byte at position p was the p-th accepted.
 * A marker tells where a burst begins and the tick of its first byte; a loss tells before which position how many
 * bytes were dropped. Both queues are short. When the marker queue is full a burst is not marked and its bytes
 * belong to the burst before; when the loss queue is full the line's bytes are dropped and counted until there is
 * room, so the count stays exact and stays in its place.
 *
 * ot_ring_receive() does all of the interrupt's work. It also finds out how many bytes may follow before room, cut
 * or wrap-around matter again: the stretch. Within it a port may do the rest in the few instructions that its
 * interrupt can afford: when no fault is flagged, OT_RING_QUICK is not 0 and the pause is not longer than `gap_ticks`,
 * store the byte at `stretch - OT_RING_QUICK` and count that down. All other bytes go through ot_ring_receive(), in
 * order; a port may put it off for a moment, as long as no later byte takes the short way meanwhile.
 *
 * OT_RING_QUICK, a byte, is what is left of the stretch. A port may keep it where its interrupt reaches it fastest. */
#ifndef OT_RING_H
#define OT_RING_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_board.h"
#include "ot_compiler.h"
#include "ot_spec.h"

#define OT_MARKS 6u
#define OT_LOSSES 2u /* power of two */
#define OT_RAW_MAX (OT_BLOCK_SPACE - OT_FRAME_HEAD_SIZE - 1u - OT_FRAME_CHECK_SIZE)
#define OT_FAULT_FRAMING 1u
#define OT_FAULT_OVERRUN 2u

typedef struct {
    uint16_t position;
    uint32_t tick;
} ot_mark;

typedef struct {
    uint16_t position; /* the bytes were dropped before this one */
    uint32_t tick;     /* of the first dropped byte */
    uint32_t count;
} ot_loss;

typedef struct {
    uint8_t *volatile stretch;  /* interrupt; main, locked: where the byte after the stretch goes */
    volatile uint16_t stop;     /* interrupt; main, locked: position of that byte */
    uint16_t gap_ticks;         /* set-up only: a longer pause begins a burst */
    uint8_t gap_low;            /* set-up only: the same, where a pause is known by its low byte only; 255: never */
    uint8_t *begin;             /* set-up only */
    uint8_t *end;               /* set-up only */
    volatile uint16_t out;      /* main, locked: bytes released */
    uint16_t cut;               /* main, locked, and interrupt: position where a new raw frame must begin */
    volatile bool dropping;     /* interrupt; main when it takes a loss of a line gone quiet */
    volatile uint8_t mark_in;   /* interrupt */
    volatile uint8_t mark_out;  /* main */
    volatile uint8_t loss_in;   /* interrupt: losses that are complete; the one being counted is losses[loss_in] */
    volatile uint8_t loss_out;  /* main */
    volatile uint16_t overruns; /* interrupt; main, locked, takes it */
    volatile uint16_t framings; /* interrupt; main, locked, takes it */
    uint32_t fault_tick;        /* interrupt: of the first fault not yet taken */
    ot_mark marks[OT_MARKS];
    ot_loss losses[OT_LOSSES];
} ot_ring_state;

extern ot_ring_state ot_ring;

/* A pause in ticks as ot_ring_receive() takes it: this long or longer. No burst may have one. */
#define OT_PAUSE_MAX 0xffffu

/* Begin anew. Returns how many bytes had come since the last start and were not released: waiting, or counted lost. */
uint32_t ot_ring_start(uint8_t *memory, uint16_t size, uint16_t gap_ticks);
void ot_ring_release(uint16_t position, uint8_t mark_out, uint8_t loss_out);

/* Release up to `position`, and no mark or loss, when there is room for at most `least` more bytes. */
void ot_ring_release_if_short(uint16_t position, uint16_t least);

/* Bytes accepted so far: the position of the next one. */
uint16_t ot_ring_in(void);
uint16_t ot_ring_fill(void);

/* Where the byte at `position`, which must be in the ring, lies; the next one is at +1, or at begin after end. */
uint8_t *ot_ring_at(uint16_t position);

static inline uint16_t ot_ring_size(void) { return (uint16_t)(ot_ring.end - ot_ring.begin); }

/* A new raw frame must begin at `cut`, unless more bytes than that have come already, or one is to begin at `due`. */
void ot_ring_aim_cut(uint16_t cut, uint16_t due);

/* Ends a loss that is still being counted, when no byte follows that would end it. Only with an empty ring: the next
 * byte then needs no mark to be told from those before the loss. */
void ot_ring_close_loss(void);

/* Takes the line faults counted since the last call; false when there were none. */
bool ot_ring_take_faults(uint16_t *overruns, uint16_t *framings, uint32_t *tick);

OT_INLINE void ot_ring_fault(ot_ring_state *r, uint8_t faults, uint32_t tick)
{
    if (r->overruns == 0u && r->framings == 0u) {
        r->fault_tick = tick;
    }
    if ((faults & OT_FAULT_OVERRUN) != 0u && r->overruns != 0xffffu) {
        r->overruns++;
    }
    if ((faults & OT_FAULT_FRAMING) != 0u && r->framings != 0xffffu) {
        r->framings++;
    }
}

/* The byte at position `in` cannot be taken. */
OT_INLINE void ot_ring_drop(ot_ring_state *r, uint16_t in, uint32_t tick)
{
    ot_loss *loss = r->losses;
    for (uint8_t i = r->loss_in & (OT_LOSSES - 1u); i != 0u; i--) {
        loss++; /* shorter than a multiplication */
    }
    if (!r->dropping) {
        r->dropping = true;
        loss->position = in;
        loss->tick = tick;
        loss->count = 0;
    }
    loss->count++;
}

/* Marks are counted modulo twice their number, so that full and empty differ. */
OT_INLINE uint8_t ot_mark_after(uint8_t count) { return count == 2u * OT_MARKS - 1u ? 0u : (uint8_t)(count + 1u); }
OT_INLINE uint8_t ot_mark_place(uint8_t count) { return count >= OT_MARKS ? (uint8_t)(count - OT_MARKS) : count; }

OT_INLINE bool ot_ring_mark_full(const ot_ring_state *r)
{
    return r->mark_in != r->mark_out && ot_mark_place(r->mark_in) == ot_mark_place(r->mark_out);
}

/* Put a byte in and find out how far the next stretch goes. */
OT_INLINE void ot_ring_store(ot_ring_state *r, uint16_t in, uint8_t byte)
{
    uint8_t *write = r->stretch - OT_RING_QUICK;
    if (write == r->end) {
        write = r->begin;
    }
    *write++ = byte;
    in++;
    uint16_t left = (uint16_t)((uint16_t)(r->end - r->begin) - (uint16_t)(in - r->out));
    uint16_t to_cut = (uint16_t)(r->cut - in);
    uint16_t to_end = (uint16_t)(r->end - write);
    left = to_cut < left ? to_cut : left;
    left = to_end < left ? to_end : left;
    left = left > 0xffu ? 0xffu : left;
    OT_RING_QUICK = (uint8_t)left;
    r->stretch = write + left;
    r->stop = (uint16_t)(in + left);
}

/* The whole work for one byte, which came `pause` ticks after the one before it. While dropping, a byte is accepted
 * again only when there is room for it, for the mark it needs, and for the next loss. */
OT_INLINE void ot_ring_receive(ot_ring_state *r, uint8_t byte, uint8_t faults, uint32_t tick, uint16_t pause)
{
    uint8_t quick = OT_RING_QUICK;
    uint16_t in = (uint16_t)(r->stop - quick);
    bool begins = pause > r->gap_ticks;
    if (faults != 0u) {
        ot_ring_fault(r, faults, tick);
    } else if (quick != 0u && !begins) {
        *(r->stretch - quick) = byte;
        OT_RING_QUICK = (uint8_t)(quick - 1u);
        return;
    }
    if ((uint16_t)(in - r->out) >= (uint16_t)(r->end - r->begin) ||
        (r->dropping && (ot_ring_mark_full(r) || (uint8_t)(r->loss_in + 1u - r->loss_out) >= OT_LOSSES))) {
        ot_ring_drop(r, in, tick);
        return;
    }
    if (r->dropping) {
        r->dropping = false;
        r->loss_in++;
        begins = true;
    }
    if (in == r->cut) {
        begins = true;
        r->cut = (uint16_t)(in + OT_RAW_MAX);
    }
    if (begins && !ot_ring_mark_full(r)) {
        ot_mark *mark = &r->marks[ot_mark_place(r->mark_in)];
        mark->position = in;
        mark->tick = tick;
        r->mark_in = ot_mark_after(r->mark_in);
    }
    ot_ring_store(r, in, byte);
}

#endif
