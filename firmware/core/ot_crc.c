#include "ot_crc.h"

uint32_t ot_crc32_add(uint32_t crc, uint8_t byte)
{
    const uint8_t *entry = &ot_crc32_planes[0][(uint8_t)(byte ^ (uint8_t)crc)];
    uint32_t value = ot_flash_u8(&entry[3u * 256u]);
    value = (value << 8) | ot_flash_u8(&entry[2u * 256u]);
    value = (value << 8) | ot_flash_u8(&entry[256]);
    value = (value << 8) | ot_flash_u8(entry);
    return (crc >> 8) ^ value;
}

uint32_t ot_crc32_add_u32(uint32_t crc, uint32_t value)
{
    for (uint8_t i = 0; i < 4u; i++) {
        crc = ot_crc32_add(crc, (uint8_t)value);
        value >>= 8;
    }
    return crc;
}

/* Byte-wise without a table: the usual shift form of the 1021 polynomial, in steps of a byte. */
OT_NOINLINE uint16_t ot_crc16_add(uint16_t crc, uint8_t byte)
{
    uint8_t x = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    x = (uint8_t)(x ^ (x >> 4));
    uint8_t high = (uint8_t)((uint8_t)crc ^ (uint8_t)(x << 4) ^ (x >> 3));
    return (uint16_t)((uint16_t)((uint16_t)high << 8) | (uint8_t)(x ^ (uint8_t)(x << 5)));
}

/* The check is linear: that of the block, and the register as it would be after as many zeros, which is the register times
 * x^4096 modulo the polynomial. */
#define X_TO_4096 0xaa9eu

uint16_t ot_crc16_over_block(uint16_t crc, uint16_t block)
{
    uint16_t product = 0;
    for (uint8_t i = 0; i < 16u; i++) {
        product = (uint16_t)((uint16_t)(product << 1) ^ ((product & 0x8000u) != 0u ? 0x1021u : 0u));
        product ^= (crc & 0x8000u) != 0u ? X_TO_4096 : 0u;
        crc = (uint16_t)(crc << 1);
    }
    return product ^ block;
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
