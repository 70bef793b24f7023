/* Constants of the core that live in program memory: how this port declares and reads them. */
#ifndef OT_FLASH_H
#define OT_FLASH_H

#include <avr/pgmspace.h>
#include <stdint.h>

#define OT_FLASH PROGMEM
#define OT_FLASH_PAGED __attribute__((aligned(256))) /* a table of 256 lies at one high address */

static inline uint8_t ot_flash_u8(const uint8_t *at) { return pgm_read_byte(at); }
static inline void ot_flash_copy(void *to, const void *from, uint8_t size) { memcpy_P(to, from, size); }

#endif
