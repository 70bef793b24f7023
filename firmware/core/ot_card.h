/* The card in SPI mode: start, reading a sector byte by byte, writing sectors one after the other.
 *
 * Facts: SD Physical Layer Simplified Specification 4.10 (tokens, responses, start-up, 250 ms busy). A card is given up
 * when it is busy for 2 s, far more than that allows. Sectors are 512 bytes on every card. */
#ifndef OT_CARD_H
#define OT_CARD_H

#include <stdbool.h>
#include <stdint.h>

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

/* Write one sector, whose 512 bytes `body` hands to ot_card_put(). The card must not be busy. Sectors in a row are sent
 * as one multi-block write. */
ot_card_answer ot_card_write(uint32_t sector, void (*body)(void)) __attribute__((warn_unused_result));
void ot_card_put(const uint8_t *bytes, uint16_t count);

/* True while the card is busy with what it accepted. */
bool ot_card_busy(void);

/* End the multi-block write, if one is open; the card is busy after it. */
void ot_card_finish(void);

#endif
