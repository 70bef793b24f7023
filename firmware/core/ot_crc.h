/* Checks: CRC-32/ISO-HDLC of blocks and frames, CRC-16 (polynomial 1021) of card data and packets, CRC-7 of commands. */
#ifndef OT_CRC_H
#define OT_CRC_H

#include <stdint.h>

#include "ot_compiler.h"
#include "ot_flash.h"
#include "ot_spec.h"

#define OT_CRC32_START 0xfffffffful
#define OT_CRC16_CARD_START 0x0000u   /* CRC-16/XMODEM */
#define OT_CRC16_PACKET_START 0xffffu /* CRC-16/IBM-3740 */

/* The register after one more byte; the check is its complement. */
uint32_t ot_crc32_add(uint32_t crc, uint8_t byte);
uint32_t ot_crc32_add_u32(uint32_t crc, uint32_t value);

uint16_t ot_crc16_add(uint16_t crc, uint8_t byte);

/* The register after a block of OT_BLOCK_SIZE bytes, of which `block` is the CRC-16 from OT_CRC16_CARD_START on. */
uint16_t ot_crc16_over_block(uint16_t crc, uint16_t block);

/* CRC-7/MMC of `size` bytes, as a card command carries it: shifted up, end bit set. */
uint8_t ot_crc7_end(const uint8_t *bytes, uint8_t size);

#endif
