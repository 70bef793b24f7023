/* Random corruptions of frames, each judged by what a search of the damaged block gives. */
#include <stdint.h>
#include <string.h>

#include "ot_bytes.h"
#include "ot_crc.h"
#include "ot_frame.h"
#include "ot_spec.h"

#include "host_corrupt.h"

#define NONE UINT64_MAX

/* The Python side names them in this order. */
enum {
    FLIPS,
    BURST,
    BYTES,
    RANDOM,
    FILL,
    TORN_LAP,
    TORN_FOREIGN,
    INSERT,
    DELETE,
    HEAD,
    TICK,
    CHECK,
    EXCHANGE,
    OTHER_NUMBER,
    OTHER_JOURNAL,
    KINDS
};

/* Random numbers: splitmix64, one stream for each corruption, so that any share of them can be made alone. */

static uint64_t next(uint64_t *state)
{
    *state += 0x9e3779b97f4a7c15u;
    uint64_t z = *state;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

static uint32_t below(uint64_t *state, uint32_t limit) { return (uint32_t)((next(state) >> 32) * limit >> 32); }

static uint8_t byte(uint64_t *state) { return (uint8_t)(next(state) >> 56); }

static uint8_t know(host_place *place, const uint8_t *block, uint8_t from_lap)
{
    uint32_t number = ot_get_u32(&block[OT_BLOCK_BLOCK_NUMBER_AT]);
    uint32_t seed = ot_frame_seed(place->journal_id, number);
    uint16_t used = (uint16_t)(ot_get_u16(&block[OT_BLOCK_FORM_AT]) & OT_BLOCK_USED_BYTES_MASK);
    uint16_t end = (uint16_t)(OT_BLOCK_HEADER_SIZE + used);
    uint16_t at = OT_BLOCK_HEADER_SIZE;
    while (at < end) {
        ot_frame frame = {0, 0, 0, 0, 0};
        if (ot_frame_parse(&block[at], (uint16_t)(end - at), seed, &frame) != OT_OK) {
            return 1;
        }
        place->known[place->known_count++] = (host_found){number, at, frame.size, frame.code, from_lap};
        at = (uint16_t)(at + frame.size);
    }
    return 0;
}

uint8_t host_place_know(host_place *place)
{
    place->known_count = 0;
    uint8_t failed = know(place, place->block, 0);
    place->block_frames = place->known_count;
    return (failed != 0u || know(place, place->lap, 1) != 0u || place->block_frames == 0u) ? 1 : 0;
}

/* Damage: each function spoils the frame `target` in `block`; what it must change is looked at by the caller. */

static void spoil_flips(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    for (uint32_t left = 1u + below(rng, 8); left > 0u; left--) {
        uint32_t bit = below(rng, 8u * size);
        frame[bit / 8u] = (uint8_t)(frame[bit / 8u] ^ (1u << (bit % 8u)));
    }
}

/* A burst: any bits within a span may be wrong, its first and last one are. */
static void spoil_burst(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint32_t bits = 8u * size;
    uint32_t span = 1u + below(rng, below(rng, 2) == 0u ? 64 : bits);
    span = span > bits ? bits : span;
    uint32_t first = below(rng, bits - span + 1u);
    for (uint32_t bit = first; bit < first + span; bit++) {
        if (bit == first || bit == first + span - 1u || below(rng, 2) != 0u) {
            frame[bit / 8u] = (uint8_t)(frame[bit / 8u] ^ (1u << (bit % 8u)));
        }
    }
}

static void spoil_bytes(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    for (uint32_t left = 1u + below(rng, 8); left > 0u; left--) {
        frame[below(rng, size)] = byte(rng);
    }
}

static void spoil_stretch(uint8_t *frame, uint16_t size, uint64_t *rng, uint8_t random)
{
    uint32_t length = 1u + below(rng, size);
    uint32_t first = below(rng, size - length + 1u);
    uint8_t fill = below(rng, 2) == 0u ? 0x00 : 0xff;
    for (uint32_t i = first; i < first + length; i++) {
        frame[i] = random != 0u ? byte(rng) : fill;
    }
}

static void spoil_torn(uint8_t *block, const host_found *target, const uint8_t *older, uint64_t *rng)
{
    uint32_t first = target->at + 1u + below(rng, target->size - 1u);
    memcpy(&block[first], &older[first], OT_BLOCK_SIZE - first);
}

/* 1 to 8 bytes put in, or taken out, within the frame; the rest of the block moves. */
static void spoil_insert(uint8_t *block, const host_found *target, uint64_t *rng)
{
    uint32_t count = 1u + below(rng, 8);
    uint32_t at = target->at + 1u + below(rng, target->size - 1u);
    if (at + count > OT_BLOCK_SIZE) {
        count = OT_BLOCK_SIZE - at;
    }
    memmove(&block[at + count], &block[at], OT_BLOCK_SIZE - at - count);
    for (uint32_t i = 0; i < count; i++) {
        block[at + i] = byte(rng);
    }
}

static void spoil_delete(uint8_t *block, const host_found *target, uint64_t *rng)
{
    uint32_t at = target->at + below(rng, target->size);
    uint32_t left = (uint32_t)target->at + target->size - at;
    uint32_t count = 1u + below(rng, left < 8u ? left : 8u);
    memmove(&block[at], &block[at + count], OT_BLOCK_SIZE - at - count);
    memset(&block[OT_BLOCK_SIZE - count], 0, count);
}

/* Another length, another code, or both. */
static void spoil_head(uint8_t *frame, uint64_t *rng)
{
    uint16_t mask = (1u << OT_FRAME_LENGTH_BITS) - 1u;
    uint16_t head = ot_get_u16(frame);
    uint16_t value = (uint16_t)next(rng);
    uint32_t which = below(rng, 4);
    if (which == 0u) {
        head = (uint16_t)((head & ~mask) | (value & mask));
    } else if (which == 1u) {
        head = (uint16_t)((head & mask) | (value & ~mask));
    } else if (which == 2u) {
        /* The length a little off. */
        head = (uint16_t)((head & ~mask) | ((head + 1u + below(rng, 16) - 8u) & mask));
    } else {
        head = (uint16_t)(((1u + below(rng, OT_MESSAGE_CODE_LAST)) << OT_FRAME_LENGTH_BITS) | (value & mask));
    }
    ot_put_u16(frame, head);
}

/* The tick offset's bytes, their number kept or not. */
static void spoil_tick(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint8_t *tick = &frame[OT_FRAME_HEAD_SIZE];
    uint16_t room = (uint16_t)(size - OT_FRAME_HEAD_SIZE - OT_FRAME_CHECK_SIZE);
    uint16_t last = 0;
    while ((tick[last] & 0x80u) != 0u) {
        last++;
    }
    uint32_t keep = below(rng, 4);
    for (uint16_t i = 0; i <= last; i++) {
        tick[i] = keep != 0u ? (uint8_t)((tick[i] & 0x80u) | (byte(rng) & 0x7fu)) : byte(rng);
    }
    if (keep == 1u && last + 1u < room) {
        /* One byte longer: takes the payload's first byte in. */
        tick[last] |= 0x80u;
    }
}

static void spoil_check(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint8_t *check = &frame[size - OT_FRAME_CHECK_SIZE];
    uint32_t right = ot_get_u32(check);
    switch (below(rng, 4)) {
    case 0:
        ot_put_u32(check, (uint32_t)next(rng));
        break;
    case 1:
        ot_put_u32(check, below(rng, 2) == 0u ? 0u : UINT32_MAX);
        break;
    case 2:
        ot_put_u32(check, (uint32_t)~right);
        break;
    default:
        ot_put_u32(check, right + 1u + below(rng, 255));
        break;
    }
}

/* Two stretches of the frame change places: every byte is there, none of them wrong in itself. */
static void spoil_exchange(uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint32_t length = 1u + below(rng, size / 2u < 16u ? size / 2u : 16u);
    uint32_t first = below(rng, size - 2u * length + 1u);
    uint32_t second = first + length + below(rng, size - first - 2u * length + 1u);
    for (uint32_t i = 0; i < length; i++) {
        uint8_t kept = frame[first + i];
        frame[first + i] = frame[second + i];
        frame[second + i] = kept;
    }
}

static void seal(uint8_t *frame, uint16_t size, uint32_t crc)
{
    uint16_t end = (uint16_t)(size - OT_FRAME_CHECK_SIZE);
    for (uint16_t i = 0; i < end; i++) {
        crc = ot_crc32_add(crc, frame[i]);
    }
    ot_put_u32(&frame[end], (uint32_t)~crc);
}

static uint32_t near_or_far(uint32_t value, uint64_t *rng)
{
    switch (below(rng, 3)) {
    case 0:
        return value ^ ((uint32_t)1 << below(rng, 32));
    case 1:
        return value + below(rng, 33) - 16u;
    default:
        return (uint32_t)next(rng);
    }
}

static uint8_t is_tried(const host_place *place, uint32_t number)
{
    for (uint8_t i = 0; i < place->number_count; i++) {
        if (place->numbers[i] == number) {
            return 1;
        }
    }
    return number == place->known[0].number;
}

/* The frame as it would stand in another block of this journal that salvage does not look for here. */
static void spoil_number(const host_place *place, uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint32_t number;
    do {
        number = near_or_far(place->known[0].number, rng);
    } while (is_tried(place, number) != 0u);
    seal(frame, size, ot_frame_seed(place->journal_id, number));
}

/* The frame as another journal's block of this number would have it, or one without a journal. */
static void spoil_journal(const host_place *place, uint8_t *frame, uint16_t size, uint64_t *rng)
{
    uint32_t id;
    if (below(rng, 4) == 0u) {
        seal(frame, size, OT_CRC32_START);
        return;
    }
    do {
        id = near_or_far(place->journal_id, rng);
    } while (id == place->journal_id);
    seal(frame, size, ot_frame_seed(id, place->known[0].number));
}

static void spoil(const host_place *place, const host_found *target, uint8_t kind, uint8_t *block, uint64_t *rng)
{
    uint8_t *frame = &block[target->at];
    switch (kind) {
    case FLIPS:
        spoil_flips(frame, target->size, rng);
        break;
    case BURST:
        spoil_burst(frame, target->size, rng);
        break;
    case BYTES:
        spoil_bytes(frame, target->size, rng);
        break;
    case RANDOM:
    case FILL:
        spoil_stretch(frame, target->size, rng, kind == RANDOM);
        break;
    case TORN_LAP:
        spoil_torn(block, target, place->lap, rng);
        break;
    case TORN_FOREIGN:
        spoil_torn(block, target, place->foreign, rng);
        break;
    case INSERT:
        spoil_insert(block, target, rng);
        break;
    case DELETE:
        spoil_delete(block, target, rng);
        break;
    case HEAD:
        spoil_head(frame, rng);
        break;
    case TICK:
        spoil_tick(frame, target->size, rng);
        break;
    case CHECK:
        spoil_check(frame, target->size, rng);
        break;
    case EXCHANGE:
        spoil_exchange(frame, target->size, rng);
        break;
    case OTHER_NUMBER:
        spoil_number(place, frame, target->size, rng);
        break;
    default:
        spoil_journal(place, frame, target->size, rng);
        break;
    }
}

/* Whether the frame's bytes still stand anywhere in the block: then it was moved at most, not damaged. */
static uint8_t still_there(const uint8_t *block, const uint8_t *frame, uint16_t size)
{
    for (uint16_t at = 0; at + size <= OT_BLOCK_SIZE; at++) {
        if (block[at] == frame[0] && memcmp(&block[at], frame, size) == 0) {
            return 1;
        }
    }
    return 0;
}

uint8_t host_corrupt(const host_place *places, uint32_t place_count, uint64_t seed, uint64_t index, uint8_t *damaged,
                     uint32_t *place_index)
{
    uint64_t rng = seed;
    rng = next(&rng) ^ index * 0xd1342543de82ef95u;
    uint8_t kind = (uint8_t)(index % KINDS);
    const host_place *place;
    const host_found *target;
    do {
        *place_index = below(&rng, place_count);
        place = &places[*place_index];
        target = &place->known[below(&rng, place->block_frames)];
        memcpy(damaged, place->block, OT_BLOCK_SIZE);
        spoil(place, target, kind, damaged, &rng);
    } while (still_there(damaged, &place->block[target->at], target->size) != 0u);
    return kind;
}

/* Judging. */

static const uint8_t *bytes_of(const host_place *place, const host_found *known)
{
    return known->from_lap != 0u ? &place->lap[known->at] : &place->block[known->at];
}

/* Bytes that were put in or taken out move the frames behind them; elsewhere a true frame stands where it stood. */
static uint8_t is_true(const host_place *place, const uint8_t *damaged, const host_found *frame, uint8_t moved)
{
    for (uint8_t i = 0; i < place->known_count; i++) {
        const host_found *known = &place->known[i];
        if (known->number == frame->number && known->size == frame->size && (moved != 0u || known->at == frame->at) &&
            memcmp(bytes_of(place, known), &damaged[frame->at], known->size) == 0) {
            return 1;
        }
    }
    return 0;
}

static uint8_t is_found(const host_found *known, const host_found *found, uint8_t count)
{
    for (uint8_t i = 0; i < count; i++) {
        if (found[i].at == known->at && found[i].size == known->size && found[i].number == known->number) {
            return 1;
        }
    }
    return 0;
}

static void judge(const host_place *place, const uint8_t *damaged, uint8_t moved, uint8_t weak, host_tally *tally)
{
    host_found found[HOST_FOUND_MAX];
    uint8_t count = host_search(damaged, place->journal_id, place->numbers, place->number_count, weak, found, &tally->compared);
    for (uint8_t i = 0; i < count; i++) {
        if (is_true(place, damaged, &found[i], moved) != 0u) {
            tally->found++;
        } else {
            tally->accepted++;
        }
    }
    for (uint8_t i = 0; i < place->known_count; i++) {
        const host_found *known = &place->known[i];
        if (memcmp(bytes_of(place, known), &damaged[known->at], known->size) == 0 && is_found(known, found, count) == 0u) {
            tally->lost++;
        }
    }
}

void host_corruptions(const host_place *places, uint32_t place_count, uint64_t seed, uint64_t first, uint64_t count,
                      uint8_t weak, host_tally *tallies)
{
    uint8_t damaged[OT_BLOCK_SIZE];
    uint32_t place_index;
    for (uint64_t index = first; index < first + count; index++) {
        uint8_t kind = host_corrupt(places, place_count, seed, index, damaged, &place_index);
        host_tally *tally = &tallies[kind];
        uint64_t misses = tally->accepted + tally->lost;
        tally->made++;
        judge(&places[place_index], damaged, kind == INSERT || kind == DELETE, weak, tally);
        if (tally->accepted + tally->lost != misses && tally->first_miss == NONE) {
            tally->first_miss = index;
        }
    }
}
