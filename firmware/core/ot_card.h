/* The card in SPI mode: start, reading a sector byte by byte, writing sectors one after the other.
 *
 * Facts: SD Physical Layer Simplified Specification 4.10 (tokens, responses, start-up, 250 ms busy). A card is given up
 * when it is busy for 2 s, far more than that allows. Sectors are 512 bytes on every card. */
#ifndef OT_CARD_H
#define OT_CARD_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_compiler.h"
#include "ot_crc.h"
#include "ot_port.h"

/* Start the card. False when none answers or it is of no use. Takes up to about 2 s. `idle` runs while waiting. */
bool ot_card_start(void (*idle)(void)) __attribute__((warn_unused_result));

/* Read one sector: open, exactly 512 bytes, close. False from close: the bytes are not to be trusted. */
bool ot_card_read_open(uint32_t sector) __attribute__((warn_unused_result));
uint8_t ot_card_read_byte(void);
bool ot_card_read_close(void) __attribute__((warn_unused_result));

typedef enum {
    OT_CARD_ACCEPTED, /* the card has the data; busy until ot_card_poll says otherwise */
    OT_CARD_REFUSED,  /* the card did not take it: try again */
    OT_CARD_LOST,     /* no sensible answer: start the card anew */
} ot_card_answer;

/* The same in steps, for a caller that has something else to do meanwhile: ask, then look for the token until it comes, or
 * for OT_CARD_READ_MS; a token other than these two: the card failed. Then the bytes, each added to the caller's CRC-16,
 * which begins at OT_CRC16_CARD_START, and the end, which compares it. */
#define OT_CARD_READ_MS 200u
#define OT_CARD_TOKEN_NONE 0xffu
#define OT_CARD_TOKEN_DATA 0xfeu
bool ot_card_read_ask(uint32_t sector) __attribute__((warn_unused_result));
uint8_t ot_card_read_token(void);
bool ot_card_read_end(uint16_t crc) __attribute__((warn_unused_result));

OT_INLINE uint8_t ot_card_read_next(uint16_t *crc)
{
    uint8_t byte = ot_port_spi(0xff);
    *crc = ot_crc16_add(*crc, byte);
    return byte;
}

/* Write one sector, whose 512 bytes `body` hands to ot_card_put(). The card must not be busy. Sectors in a row are sent
 * as one multi-block write. */
ot_card_answer ot_card_write(uint32_t sector, void (*body)(void)) __attribute__((warn_unused_result));
void ot_card_put(const uint8_t *bytes, uint16_t count);

/* True while the card is busy with what it accepted. */
bool ot_card_busy(void);

/* End the multi-block write, if one is open; the card is busy after it. */
void ot_card_finish(void);

#endif
