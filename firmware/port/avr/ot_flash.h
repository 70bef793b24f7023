/* Constants of the core that live in program memory: how this port declares and reads them. */
#ifndef OT_FLASH_H
#define OT_FLASH_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define OT_FLASH PROGMEM

static inline uint8_t ot_flash_u8(const uint8_t *at) { return pgm_read_byte(at); }
static inline uint32_t ot_flash_u32(const uint32_t *at) { return pgm_read_dword(at); }
static inline void ot_flash_copy(void *to, const void *from, uint8_t size) { memcpy_P(to, from, size); }

#endif
