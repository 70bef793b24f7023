#include "ot_record.h"

#include <stdbool.h>
#include <string.h>

#include "ot_bytes.h"
#include "ot_spec.h"

static uint32_t load_number(const void *member, uint8_t size)
{
    uint16_t u16;
    uint32_t u32;
    switch (size) {
    case 1:
        return *(const uint8_t *)member;
    case 2:
        memcpy(&u16, member, sizeof u16);
        return u16;
    default:
        memcpy(&u32, member, sizeof u32);
        return u32;
    }
}

static void store_number(void *member, uint8_t size, uint32_t value)
{
    uint16_t u16 = (uint16_t)value;
    switch (size) {
    case 1:
        *(uint8_t *)member = (uint8_t)value;
        break;
    case 2:
        memcpy(member, &u16, sizeof u16);
        break;
    default:
        memcpy(member, &value, sizeof value);
        break;
    }
}

static bool in_range(const ot_field *field, uint32_t value)
{
    if (field->kind == OT_KIND_SIGNED) {
        /* Flipping the sign bit turns two's complement order into unsigned order. */
        uint32_t sign = (uint32_t)1u << (8u * field->size - 1u);
        uint32_t mask = (sign << 1) - 1u;
        return ((value ^ sign) & mask) >= ((field->low ^ sign) & mask) && ((value ^ sign) & mask) <= ((field->high ^ sign) & mask);
    }
    return value >= field->low && value <= field->high;
}

uint8_t ot_record_encode(const ot_layout *layout, const void *record, uint8_t *out)
{
    ot_layout l;
    ot_field f;
    ot_flash_copy(&l, layout, sizeof l);
    for (uint8_t i = 0; i < l.count; i++) {
        ot_flash_copy(&f, &l.fields[i], sizeof f);
        const uint8_t *member = (const uint8_t *)record + f.at;
        uint32_t value = f.low;
        if (f.kind == OT_KIND_BYTES) {
            memcpy(out, member, f.size);
        } else if (f.kind == OT_KIND_CONSTANT) {
            ot_flash_copy(out, &ot_constants[f.low], f.size);
        } else {
            if (f.kind != OT_KIND_NUMBER_CONSTANT) {
                value = load_number(member, f.size);
            }
            for (uint8_t byte = 0; byte < f.size; byte++) {
                out[byte] = (uint8_t)value;
                value >>= 8;
            }
        }
        out += f.size;
    }
    return l.fixed_size;
}

static bool decode_field(const ot_field *f, const uint8_t *bytes, void *record)
{
    uint8_t *member = (uint8_t *)record + f->at;
    if (f->kind == OT_KIND_BYTES) {
        memcpy(member, bytes, f->size);
        return true;
    }
    if (f->kind == OT_KIND_CONSTANT) {
        for (uint8_t i = 0; i < f->size; i++) {
            if (bytes[i] != ot_flash_u8(&ot_constants[f->low + i])) {
                return false;
            }
        }
        return true;
    }
    uint32_t value = 0;
    for (uint8_t i = f->size; i > 0u; i--) {
        value = (value << 8) | bytes[i - 1u];
    }
    if (f->kind == OT_KIND_NUMBER_CONSTANT) {
        return value == f->low;
    }
    store_number(member, f->size, value);
    return in_range(f, value);
}

uint8_t ot_record_decode(const ot_layout *layout, const uint8_t *bytes, uint16_t size, void *record)
{
    ot_layout l;
    ot_field f;
    ot_flash_copy(&l, layout, sizeof l);
    if (size < l.fixed_size) {
        return OT_SHORT_PAYLOAD;
    }
    for (uint8_t i = 0; i < l.count; i++) {
        ot_flash_copy(&f, &l.fields[i], sizeof f);
        if (!decode_field(&f, bytes, record)) {
            return OT_OUT_OF_RANGE;
        }
        bytes += f.size;
    }
    return OT_OK;
}
