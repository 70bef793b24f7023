#include "ot_record.h"

#include <stdbool.h>
#include <string.h>

#include "ot_compiler.h"
#include "ot_spec.h"

/* A number lies in the struct in the machine's own order and size. */
static uint32_t load_number(const void *member, uint8_t size)
{
    uint16_t u16;
    uint32_t u32;
    if (size == 1u) {
        return *(const uint8_t *)member;
    }
    if (size == 2u) {
        memcpy(&u16, member, sizeof u16);
        return u16;
    }
    memcpy(&u32, member, sizeof u32);
    return u32;
}

static void store_number(void *member, uint8_t size, uint32_t value)
{
    uint16_t u16 = (uint16_t)value;
    if (size == 1u) {
        *(uint8_t *)member = (uint8_t)value;
    } else if (size == 2u) {
        memcpy(member, &u16, sizeof u16);
    } else {
        memcpy(member, &value, sizeof value);
    }
}

static OT_NOINLINE void encode_field(const ot_field *f, const uint8_t *member, uint8_t *out)
{
    uint8_t kind = f->kind & OT_KIND_MASK;
    if (kind == OT_KIND_BYTES) {
        memcpy(out, member, f->size);
    } else if (kind == OT_KIND_CONSTANT) {
        ot_flash_copy(out, &ot_constants[f->at], f->size);
    } else {
        uint32_t value = load_number(member, f->size);
        for (uint8_t i = 0; i < f->size; i++) {
            out[i] = (uint8_t)value;
            value >>= 8;
        }
    }
}

uint8_t ot_record_encode(const ot_layout *layout, const void *record, uint8_t *out)
{
    ot_layout l;
    ot_field f;
    ot_flash_copy(&l, layout, sizeof l);
    for (; l.count != 0u; l.count--) {
        ot_flash_copy(&f, l.fields++, sizeof f);
        encode_field(&f, (const uint8_t *)record + f.at, out);
        out += f.size;
    }
    return l.fixed_size;
}

void ot_record_put(const ot_layout *layout, const void *record, void (*put)(const uint8_t *bytes, uint16_t count))
{
    ot_layout l;
    ot_field f;
    uint8_t bytes[OT_MESSAGE_FIELD_MAX];
    ot_flash_copy(&l, layout, sizeof l);
    for (; l.count != 0u; l.count--) {
        ot_flash_copy(&f, l.fields++, sizeof f);
        const uint8_t *member = (const uint8_t *)record + f.at;
        if (f.kind != OT_KIND_BYTES) {
            encode_field(&f, member, bytes);
            member = bytes;
        }
        put(member, f.size);
    }
}

static OT_NOINLINE bool decode_number(const ot_field *f, const uint8_t *bytes, uint8_t *member)
{
    ot_bound bound;
    uint32_t value = 0;
    uint32_t mask = 0;
    for (uint8_t i = f->size; i > 0u; i--) {
        value = (value << 8) | bytes[i - 1u];
        mask = (mask << 8) | 0xffu;
    }
    store_number(member, f->size, value);
    if (f->bounds == OT_NO_BOUNDS) {
        return true;
    }
    ot_flash_copy(&bound, &ot_bounds[f->bounds], sizeof bound);
    return ((value - bound.low) & mask) <= bound.span;
}

static bool is_constant(const ot_field *f, const uint8_t *bytes)
{
    for (uint8_t i = 0; i < f->size; i++) {
        if (bytes[i] != ot_flash_u8(&ot_constants[f->at + i])) {
            return false;
        }
    }
    return true;
}

static OT_NOINLINE bool decode_field(const ot_field *f, const uint8_t *bytes, uint8_t *member)
{
    uint8_t kind = f->kind & OT_KIND_MASK;
    if (kind == OT_KIND_CONSTANT) {
        return is_constant(f, bytes);
    }
    if (kind == OT_KIND_BYTES) {
        memcpy(member, bytes, f->size);
        return true;
    }
    return decode_number(f, bytes, member);
}

uint8_t ot_record_decode(const ot_layout *layout, const uint8_t *bytes, uint16_t size, void *record)
{
    ot_layout l;
    ot_field f;
    ot_flash_copy(&l, layout, sizeof l);
    if (size < l.size_min) {
        return OT_SHORT_PAYLOAD;
    }
    for (; l.count != 0u; l.count--) {
        ot_flash_copy(&f, l.fields++, sizeof f);
        if (size < f.size * ((f.kind >> OT_KIND_MORE_SHIFT) + 1u)) {
            break;
        }
        size = (uint16_t)(size - f.size);
        if (!decode_field(&f, bytes, (uint8_t *)record + f.at)) {
            return OT_OUT_OF_RANGE;
        }
        bytes += f.size;
    }
    return OT_OK;
}
