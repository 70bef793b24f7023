#include "ot_bytes.h"

uint16_t ot_get_u16(const uint8_t *at) { return (uint16_t)((uint16_t)at[0] | (uint16_t)((uint16_t)at[1] << 8)); }

uint32_t ot_get_u32(const uint8_t *at) { return (uint32_t)ot_get_u16(at) | ((uint32_t)ot_get_u16(at + 2) << 16); }

void ot_put_u16(uint8_t *at, uint16_t value)
{
    at[0] = (uint8_t)value;
    at[1] = (uint8_t)(value >> 8);
}

void ot_put_u32(uint8_t *at, uint32_t value)
{
    ot_put_u16(at, (uint16_t)value);
    ot_put_u16(at + 2, (uint16_t)(value >> 16));
}
