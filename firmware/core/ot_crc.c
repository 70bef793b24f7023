#include "ot_crc.h"

#include "ot_compiler.h"
#include "ot_flash.h"
#include "ot_spec.h"

/* The table of all byte values is linear: an entry is that of the low nibble and that of the high one, xored. Two short
 * tables then do for the long one, without a shift by half a byte, which is dear on a small machine. */
uint32_t ot_crc32_add(uint32_t crc, uint8_t byte)
{
    byte ^= (uint8_t)crc;
    crc = (crc >> 8) ^ ot_flash_u32(&ot_crc32_low[byte & 0x0fu]);
    return crc ^ ot_flash_u32(&ot_crc32_high[byte >> 4]);
}

uint32_t ot_crc32_add_u32(uint32_t crc, uint32_t value)
{
    for (uint8_t i = 0; i < 4u; i++) {
        crc = ot_crc32_add(crc, (uint8_t)value);
        value >>= 8;
    }
    return crc;
}

OT_NOINLINE uint16_t ot_crc16_add(uint16_t crc, uint8_t byte)
{
    /* Byte-wise without a table; the usual shift form of the 1021 polynomial. */
    uint8_t x = (uint8_t)((crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    return (uint16_t)((uint16_t)(crc << 8) ^ (uint16_t)((uint16_t)x << 12) ^ (uint16_t)((uint16_t)x << 5) ^ x);
}

uint8_t ot_crc7_end(const uint8_t *bytes, uint8_t size)
{
    uint8_t crc = 0;
    for (uint8_t i = 0; i < size; i++) {
        uint8_t byte = bytes[i];
        for (uint8_t bit = 0; bit < 8u; bit++) {
            crc = (uint8_t)(crc << 1);
            if (((byte ^ crc) & 0x80u) != 0u) {
                crc ^= 0x09u;
            }
            byte = (uint8_t)(byte << 1);
        }
    }
    return (uint8_t)((uint8_t)(crc << 1) | 1u);
}
