/* The ring: the receive interrupt puts the line's bytes in, the framer takes them out.
 *
 * Positions are counts of accepted bytes, 16 bits wide and wrapping: the byte at position p was the p-th accepted.
 * A marker tells where a burst begins and the tick of its first byte; a loss tells before which position how many
 * bytes were dropped. Both queues are short. When the marker queue is full a burst is not marked and its bytes
 * belong to the burst before; when the loss queue is full the line's bytes are dropped and counted until there is
 * room, so the count stays exact and stays in its place. */
#ifndef OT_RING_H
#define OT_RING_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_spec.h"

/* The receive interrupt's work is part of it, not a call from it. */
#define OT_INLINE static inline __attribute__((always_inline))

#define OT_MARKS 8u  /* power of two */
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
    uint8_t *write;          /* interrupt: where the next byte goes */
    uint8_t *begin;          /* set-up only */
    uint8_t *end;            /* set-up only */
    uint16_t size;           /* set-up only */
    volatile uint16_t in;    /* interrupt: bytes accepted */
    volatile uint16_t out;   /* main, locked: bytes released */
    uint16_t cut;            /* main, locked, and interrupt: position where a new raw frame must begin */
    uint16_t last_tick;      /* interrupt: low half of the tick of the byte before */
    uint16_t gap_ticks;      /* set-up only: a longer pause begins a burst */
    volatile uint8_t quiet;  /* interrupts: timer overflows since the last byte, saturating */
    volatile bool dropping;  /* interrupt; main when it takes a loss of a line gone quiet */
    volatile uint8_t mark_in;  /* interrupt */
    volatile uint8_t mark_out; /* main */
    volatile uint8_t loss_in;  /* interrupt: losses that are complete; the one being counted is losses[loss_in] */
    volatile uint8_t loss_out; /* main */
    volatile uint16_t overruns;    /* interrupt; main, locked, takes it */
    volatile uint16_t framings;    /* interrupt; main, locked, takes it */
    uint32_t fault_tick;           /* interrupt: of the first fault not yet taken */
    ot_mark marks[OT_MARKS];
    ot_loss losses[OT_LOSSES];
} ot_ring_state;

extern ot_ring_state ot_ring;

/* A pause as long as this many timer overflows is a gap at any speed, and 16 bits of tick would not show it. */
#define OT_QUIET_GAP 200u

void ot_ring_start(uint8_t *memory, uint16_t size, uint16_t gap_ticks);
void ot_ring_release(uint16_t position, uint8_t mark_out, uint8_t loss_out);
uint16_t ot_ring_fill(void);

/* Where the byte at `position`, which must be in the ring, lies; the next one is at +1, or at begin after end. */
uint8_t *ot_ring_at(uint16_t position);

/* Ends a loss that is still being counted, when no byte follows that would end it. Only with an empty ring: the next
 * byte then needs no mark to be told from those before the loss. */
void ot_ring_close_loss(void);

/* Takes the line faults counted since the last call; false when there were none. */
bool ot_ring_take_faults(uint16_t *overruns, uint16_t *framings, uint32_t *tick);

static inline void ot_ring_fault(uint8_t faults, uint32_t tick)
{
    if (ot_ring.overruns == 0u && ot_ring.framings == 0u) {
        ot_ring.fault_tick = tick;
    }
    if ((faults & OT_FAULT_OVERRUN) != 0u && ot_ring.overruns != 0xffffu) {
        ot_ring.overruns++;
    }
    if ((faults & OT_FAULT_FRAMING) != 0u && ot_ring.framings != 0xffffu) {
        ot_ring.framings++;
    }
}

static inline void ot_ring_drop(uint32_t tick)
{
    ot_loss *loss = &ot_ring.losses[ot_ring.loss_in & (OT_LOSSES - 1u)];
    if (!ot_ring.dropping) {
        ot_ring.dropping = true;
        loss->position = ot_ring.in;
        loss->tick = tick;
        loss->count = 0;
    }
    loss->count++;
}

OT_INLINE bool ot_ring_mark_full(void) { return (uint8_t)(ot_ring.mark_in - ot_ring.mark_out) >= OT_MARKS; }

/* The receive interrupt's whole work for one byte. While dropping, a byte is accepted again only when there is room
 * for it, for the mark it needs, and for the next loss. */
OT_INLINE void ot_ring_receive(uint8_t byte, uint32_t tick)
{
    uint16_t in = ot_ring.in;
    bool begins = (uint16_t)((uint16_t)tick - ot_ring.last_tick) > ot_ring.gap_ticks || ot_ring.quiet > OT_QUIET_GAP;
    ot_ring.last_tick = (uint16_t)tick;
    ot_ring.quiet = 0;
    if ((uint16_t)(in - ot_ring.out) >= ot_ring.size) {
        ot_ring_drop(tick);
        return;
    }
    if (ot_ring.dropping) {
        if (ot_ring_mark_full() || (uint8_t)(ot_ring.loss_in + 1u - ot_ring.loss_out) >= OT_LOSSES) {
            ot_ring_drop(tick);
            return;
        }
        ot_ring.dropping = false;
        ot_ring.loss_in++;
        begins = true;
    }
    if (in == ot_ring.cut) {
        begins = true;
        ot_ring.cut = (uint16_t)(in + OT_RAW_MAX);
    }
    if (begins && !ot_ring_mark_full()) {
        ot_mark *mark = &ot_ring.marks[ot_ring.mark_in & (OT_MARKS - 1u)];
        mark->position = in;
        mark->tick = tick;
        ot_ring.mark_in++;
    }
    *ot_ring.write++ = byte;
    if (ot_ring.write == ot_ring.end) {
        ot_ring.write = ot_ring.begin;
    }
    ot_ring.in = (uint16_t)(in + 1u);
}

#endif
