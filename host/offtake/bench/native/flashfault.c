/* What a power cut can reach: the last blocks the card accepted, each with the content it replaces. The cut
 * itself is decided and carried out by the caller, on the image, from what is told here. */
#include <string.h>

#include "bench.h"

void fault_accept(bench_t *b, uint32_t lba, const uint8_t *after)
{
    struct recent *r = &b->fault.ring[b->fault.count++ % RECENT];
    r->lba = lba;
    r->settled = false;
    memcpy(r->before, b->card.image + (size_t)lba * SECTOR, SECTOR);
    memcpy(r->after, after, SECTOR);
    memcpy(log_add(&b->fault.all, sizeof *r), r, sizeof *r);
}

/* Busy has ended: the newest block is on the medium. */
void fault_settle(bench_t *b)
{
    struct recent *r = &b->fault.ring[(b->fault.count - 1u) % RECENT];
    memcpy(b->card.image + (size_t)r->lba * SECTOR, r->after, SECTOR);
    r->settled = true;
}

/* The accepted block `back` places before the newest (0); returns 0 when there is none so far back. */
uint32_t bench_card_recent(bench_t *b, uint32_t back, uint32_t *lba, uint8_t *before, uint8_t *after,
                           uint32_t *settled)
{
    card_settle(b);
    if (back >= RECENT || back >= b->fault.count) {
        return 0;
    }
    const struct recent *r = &b->fault.ring[(b->fault.count - 1u - back) % RECENT];
    *lba = r->lba;
    *settled = r->settled;
    memcpy(before, r->before, SECTOR);
    memcpy(after, r->after, SECTOR);
    return 1;
}

/* The block accepted as number `index`, counted from 0 since the bench was made; returns 0 when there is none. */
uint32_t bench_card_block(bench_t *bench, uint64_t index, uint32_t *lba, uint8_t *before, uint8_t *after)
{
    if (index >= bench->fault.all.count) {
        return 0;
    }
    const struct recent *r = (const struct recent *)(const void *)bench->fault.all.data + index;
    *lba = r->lba;
    memcpy(before, r->before, SECTOR);
    memcpy(after, r->after, SECTOR);
    return 1;
}
