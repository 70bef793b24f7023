/* Little-endian numbers in byte buffers, whatever the machine's own order and alignment. */
#ifndef OT_BYTES_H
#define OT_BYTES_H

#include <stdint.h>

static inline uint16_t ot_get_u16(const uint8_t *at) { return (uint16_t)((uint16_t)at[0] | (uint16_t)((uint16_t)at[1] << 8)); }

static inline uint32_t ot_get_u32(const uint8_t *at)
{
    return (uint32_t)ot_get_u16(at) | ((uint32_t)ot_get_u16(at + 2) << 16);
}

static inline void ot_put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

static inline void ot_put_u32(uint8_t *at, uint32_t value)
{
    ot_put_u16(at, (uint16_t)value);
    ot_put_u16(at + 2, (uint16_t)(value >> 16));
}

#endif
