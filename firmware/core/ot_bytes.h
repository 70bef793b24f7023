/* Little-endian numbers in byte buffers, whatever the machine's own order and alignment. */
#ifndef OT_BYTES_H
#define OT_BYTES_H

#include <stdint.h>

uint16_t ot_get_u16(const uint8_t *at);
uint32_t ot_get_u32(const uint8_t *at);
void ot_put_u16(uint8_t *at, uint16_t value);
void ot_put_u32(uint8_t *at, uint32_t value);

#endif
