/* The loops over a journal's bytes that cost most: CRC-32, and walking through the frames of intact blocks.
 *
 * Only what is plain is judged here. A block in which anything does not fit is marked odd and left to Python, so that
 * damage has one judge. The layout's numbers come from the spec, as macros on the compiler's command line.
 */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "kernels.h"

#if defined(__x86_64__) && defined(__GNUC__)
#define OT_FOLDS 1
#include <immintrin.h>
#else
#define OT_FOLDS 0
#endif

#define POLYNOMIAL 0xedb88320u /* CRC-32/ISO-HDLC, reflected */
#define SLICES 8u
#define FOLD_MIN 64

static uint32_t tables[SLICES][256];
static int folds;

/* x^exponent modulo the polynomial, reflected: bit 31 stands for x^0. */
static uint32_t power_of_x(unsigned exponent)
{
    uint32_t value = 0x80000000u;
    for (unsigned i = 0; i < exponent; i++) {
        value = (value >> 1) ^ ((value & 1u) != 0u ? POLYNOMIAL : 0u);
    }
    return value;
}

static void make_tables(void)
{
    for (uint32_t byte = 0; byte < 256u; byte++) {
        uint32_t value = byte;
        for (unsigned bit = 0; bit < 8u; bit++) {
            value = (value >> 1) ^ ((value & 1u) != 0u ? POLYNOMIAL : 0u);
        }
        tables[0][byte] = value;
    }
    for (unsigned slice = 1; slice < SLICES; slice++) {
        for (unsigned byte = 0; byte < 256u; byte++) {
            uint32_t before = tables[slice - 1u][byte];
            tables[slice][byte] = (before >> 8) ^ tables[0][before & 0xffu];
        }
    }
}

static uint32_t get_u32(const uint8_t *at)
{
    return (uint32_t)at[0] | ((uint32_t)at[1] << 8) | ((uint32_t)at[2] << 16) | ((uint32_t)at[3] << 24);
}

/* Eight bytes a step, a table for each (Kounavis and Berry, "A systematic approach to building high performance,
 * software-based, CRC generators", 2005; from memory). */
static uint32_t register_by_tables(uint32_t crc, const uint8_t *data, size_t size)
{
    for (; size >= 8u; data += 8, size -= 8u) {
        uint32_t low = crc ^ get_u32(data);
        uint32_t high = get_u32(data + 4);
        crc = tables[7][low & 0xffu] ^ tables[6][(low >> 8) & 0xffu] ^ tables[5][(low >> 16) & 0xffu] ^
              tables[4][low >> 24] ^ tables[3][high & 0xffu] ^ tables[2][(high >> 8) & 0xffu] ^
              tables[1][(high >> 16) & 0xffu] ^ tables[0][high >> 24];
    }
    for (; size > 0u; data++, size--) {
        crc = (crc >> 8) ^ tables[0][(crc ^ *data) & 0xffu];
    }
    return crc;
}

#if OT_FOLDS
/* Carry-less multiplication folds 64 bytes a step onto the next 64 (Gopal and others, "Fast CRC computation for generic
 * polynomials using PCLMULQDQ instruction", 2009; from memory). What is left, 16 bytes that stand for all before them,
 * goes through the tables. The constants are powers of x, one bit up as the product of reflected numbers wants it. */
static uint64_t fold_by[4];

static void make_folds(void)
{
    static const unsigned exponents[4] = {4u * 128u + 32u, 4u * 128u - 32u, 128u + 32u, 128u - 32u};
    for (unsigned i = 0; i < 4u; i++) {
        fold_by[i] = (uint64_t)power_of_x(exponents[i]) << 1;
    }
    folds = __builtin_cpu_supports("pclmul") && __builtin_cpu_supports("sse4.1");
}

__attribute__((target("pclmul,sse4.1"))) static __m128i folded(__m128i value, __m128i by, __m128i onto)
{
    __m128i low = _mm_clmulepi64_si128(value, by, 0x00);
    __m128i high = _mm_clmulepi64_si128(value, by, 0x11);
    return _mm_xor_si128(_mm_xor_si128(low, high), onto);
}

__attribute__((target("pclmul,sse4.1"))) static uint32_t register_by_folds(uint32_t crc, const uint8_t *data,
                                                                           size_t size)
{
    const __m128i *at = (const __m128i *)(const void *)data;
    const __m128i by_four = _mm_set_epi64x((long long)fold_by[1], (long long)fold_by[0]);
    const __m128i by_one = _mm_set_epi64x((long long)fold_by[3], (long long)fold_by[2]);
    __m128i a = _mm_xor_si128(_mm_loadu_si128(at), _mm_cvtsi32_si128((int)crc));
    __m128i b = _mm_loadu_si128(at + 1);
    __m128i c = _mm_loadu_si128(at + 2);
    __m128i d = _mm_loadu_si128(at + 3);
    uint8_t rest[16];
    for (at += 4, size -= 64u; size >= 64u; at += 4, size -= 64u) {
        a = folded(a, by_four, _mm_loadu_si128(at));
        b = folded(b, by_four, _mm_loadu_si128(at + 1));
        c = folded(c, by_four, _mm_loadu_si128(at + 2));
        d = folded(d, by_four, _mm_loadu_si128(at + 3));
    }
    a = folded(folded(folded(a, by_one, b), by_one, c), by_one, d);
    for (; size >= 16u; at++, size -= 16u) {
        a = folded(a, by_one, _mm_loadu_si128(at));
    }
    _mm_storeu_si128((__m128i *)(void *)rest, a);
    return register_by_tables(register_by_tables(0u, rest, sizeof rest), (const uint8_t *)at, size);
}
#endif

/* The register after `size` bytes more; not yet inverted at either end. */
static uint32_t register_after(uint32_t crc, const uint8_t *data, size_t size)
{
#if OT_FOLDS
    if (folds && size >= (size_t)FOLD_MIN) {
        return register_by_folds(crc, data, size);
    }
#endif
    return register_by_tables(crc, data, size);
}

/* Makes the tables; 0 when both ways agree with the check value of the catalogue of parametrised CRC algorithms. */
int ot_kernels_self_test(void)
{
    uint8_t data[300];
    make_tables();
#if OT_FOLDS
    make_folds();
#endif
    for (size_t i = 0; i < sizeof data; i++) {
        data[i] = (uint8_t)(i * 151u + (i >> 3));
    }
    for (size_t size = 0; size <= sizeof data; size++) {
        if (register_after(0x12345678u, data, size) != register_by_tables(0x12345678u, data, size)) {
            return 1;
        }
    }
    return register_after(0xffffffffu, (const uint8_t *)"123456789", 9) == (0xcbf43926u ^ 0xffffffffu) ? 0 : 2;
}

/* The CRC-32 of each stretch [starts, ends) of `data`, continued from `seeds`. */
void ot_crc32_many(const uint8_t *data, const int64_t *starts, const int64_t *ends, const uint32_t *seeds,
                   uint32_t *found, int64_t count)
{
    for (int64_t i = 0; i < count; i++) {
        found[i] = ~register_after(~seeds[i], data + starts[i], (size_t)(ends[i] - starts[i]));
    }
}

/* The CRC-32 of each of `blocks` blocks, over all before its check. */
void ot_block_seals(const uint8_t *data, uint32_t *found, int64_t blocks)
{
    for (int64_t i = 0; i < blocks; i++) {
        found[i] = ~register_after(~0u, data + i * BLOCK_SIZE, CHECK_AT);
    }
}

/* Bytes of the frame at `at`, or 0 when it does not fit before `end`; its parts. */
typedef struct {
    uint32_t code;
    uint64_t tick;
    int64_t payload_at;
    int64_t payload_size;
} frame_parts;

static int64_t frame_size(const uint8_t *data, int64_t at, int64_t end, frame_parts *parts)
{
    if (end - at < FRAME_HEAD_SIZE + 1 + FRAME_CHECK_SIZE) {
        return 0;
    }
    uint32_t head = (uint32_t)data[at] | ((uint32_t)data[at + 1] << 8);
    uint64_t tick = 0;
    int64_t next = at + FRAME_HEAD_SIZE;
    unsigned shift = 0;
    uint8_t byte = 0x80;
    /* Shortest form only: a number of several bytes may not end with a byte that adds nothing. */
    while (byte >= 0x80u) {
        if (shift == 7u * FRAME_TICK_SIZE_MAX || next >= end) {
            return 0;
        }
        byte = data[next++];
        tick |= (uint64_t)(byte & 0x7fu) << shift;
        shift += 7u;
    }
    parts->code = head >> FRAME_LENGTH_BITS;
    parts->payload_size = (int64_t)(head & ((1u << FRAME_LENGTH_BITS) - 1u));
    parts->payload_at = next;
    parts->tick = tick;
    next += parts->payload_size + FRAME_CHECK_SIZE;
    return (shift > 7u && byte == 0u) || tick > 0xffffffffu || parts->code == 0u || next > end ? 0 : next - at;
}

/* How many frames there are in the `blocks` (places in `data`), `used` bytes of each, up to the first that does not
 * fit. */
int64_t ot_frames_count(const uint8_t *data, const int64_t *blocks, const int32_t *used, int64_t count)
{
    int64_t frames = 0;
    frame_parts parts;
    for (int64_t i = 0; i < count; i++) {
        int64_t at = blocks[i] * BLOCK_SIZE + BLOCK_HEADER_SIZE;
        const int64_t end = at + used[i];
        for (int64_t size = 1; at < end && size > 0; at += size) {
            size = frame_size(data, at, end, &parts);
            frames += size > 0;
        }
    }
    return frames;
}

/* The frames of the `blocks`, in order, with their parts, into columns with `room`, as counted before; returns how
 * many. A block with anything that does not fit, or with a check that does not hold, is marked in `odd` (by its place
 * in `data`) and gives none. Those that `checked` marks (by place; may be NULL) are not checked again. */
int64_t ot_frames_walk(const uint8_t *data, const int64_t *blocks, const int32_t *used, int64_t count,
                       uint32_t journal_id, const uint8_t *checked, int64_t room, int64_t *block, int64_t *at,
                       uint8_t *code, int64_t *tick, int64_t *payload_at, int64_t *payload_size, uint8_t *odd)
{
    int64_t frames = 0;
    uint8_t id[4];
    for (unsigned i = 0; i < 4u; i++) {
        id[i] = (uint8_t)(journal_id >> (8u * i));
    }
    const uint32_t of_id = register_by_tables(~0u, id, sizeof id);
    for (int64_t i = 0; i < count; i++) {
        const uint8_t *start = data + blocks[i] * BLOCK_SIZE;
        const uint32_t seed = register_by_tables(of_id, start + BLOCK_NUMBER_AT, 4);
        const int check = checked == NULL || checked[blocks[i]] == 0u;
        const int64_t first = frames;
        int64_t place = blocks[i] * BLOCK_SIZE + BLOCK_HEADER_SIZE;
        const int64_t end = place + used[i];
        while (place < end) {
            frame_parts parts;
            const int64_t size = frame_size(data, place, end, &parts);
            const size_t covered = (size_t)(size - FRAME_CHECK_SIZE);
            if (size == 0 || frames == room ||
                (check && ~register_after(seed, data + place, covered) != get_u32(data + place + covered))) {
                odd[blocks[i]] = 1;
                frames = first;
                break;
            }
            block[frames] = blocks[i];
            at[frames] = place;
            code[frames] = (uint8_t)parts.code;
            tick[frames] = (int64_t)parts.tick;
            payload_at[frames] = parts.payload_at;
            payload_size[frames] = parts.payload_size;
            frames++;
            place += size;
        }
    }
    return frames;
}
