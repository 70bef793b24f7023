/* Constants of the core on a computer: one memory for everything. */
#ifndef OT_FLASH_H
#define OT_FLASH_H

#include <stdint.h>
#include <string.h>

#define OT_FLASH
#define OT_FLASH_PAGED

static inline uint8_t ot_flash_u8(const uint8_t *at) { return *at; }
static inline void ot_flash_copy(void *to, const void *from, uint8_t size) { memcpy(to, from, size); }

#endif
