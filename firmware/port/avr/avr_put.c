/* The loop that every byte of a block goes through on its way to the card, by hand: 80 cycles a byte instead of the
 * compiler's 101. Each CRC-32 step is four reads from the tables' planes at one low address; the checks of a byte are
 * worked out while the byte before is still on the bus. */
#include <avr/io.h>

#include "ot_port.h"
#include "ot_spec.h"

#define CRC32_STEP(crc)                                     \
    "mov  r30, %A[" crc "]\n\t"                             \
    "eor  r30, %[byte]\n\t"                                \
    "ldi  r31, hi8(%[planes])\n\t"                         \
    "lpm  %[scratch], Z\n\t"                               \
    "mov  %A[" crc "], %B[" crc "]\n\t"                     \
    "eor  %A[" crc "], %[scratch]\n\t"                      \
    "inc  r31\n\t"                                         \
    "lpm  %[scratch], Z\n\t"                               \
    "mov  %B[" crc "], %C[" crc "]\n\t"                     \
    "eor  %B[" crc "], %[scratch]\n\t"                      \
    "inc  r31\n\t"                                         \
    "lpm  %[scratch], Z\n\t"                               \
    "mov  %C[" crc "], %D[" crc "]\n\t"                     \
    "eor  %C[" crc "], %[scratch]\n\t"                      \
    "inc  r31\n\t"                                         \
    "lpm  %D[" crc "], Z\n\t"

void ot_port_spi_put(const uint8_t *bytes, uint16_t count, ot_checks *checks)
{
    uint32_t block = checks->block;
    uint32_t frame = checks->frame;
    uint16_t card = checks->card;
    uint8_t byte;
    uint8_t scratch;
    if (count == 0u) {
        return;
    }
    __asm__ volatile(
        "1:\n\t"
        "ld   %[byte], X+\n\t"
        "out  %[spdr], %[byte]\n\t"
        CRC32_STEP("block")
        CRC32_STEP("frame")
        /* x = high ^ byte; x ^= x >> 4; high = low ^ x << 4 ^ x >> 3; low = x ^ x << 5 */
        "eor  %[byte], %B[card]\n\t"
        "mov  %[scratch], %[byte]\n\t"
        "swap %[scratch]\n\t"
        "andi %[scratch], 0x0f\n\t"
        "eor  %[byte], %[scratch]\n\t"
        "mov  %[scratch], %[byte]\n\t"
        "lsr  %[scratch]\n\t"
        "lsr  %[scratch]\n\t"
        "lsr  %[scratch]\n\t"
        "eor  %[scratch], %A[card]\n\t"
        "mov  %B[card], %[scratch]\n\t"
        "mov  %[scratch], %[byte]\n\t"
        "swap %[scratch]\n\t"
        "andi %[scratch], 0xf0\n\t"
        "eor  %B[card], %[scratch]\n\t"
        "lsl  %[scratch]\n\t"
        "eor  %[scratch], %[byte]\n\t"
        "mov  %A[card], %[scratch]\n\t"
        "2:\n\t"
        "in   %[scratch], %[spsr]\n\t"
        "sbrs %[scratch], %[spif]\n\t"
        "rjmp 2b\n\t"
        "in   %[scratch], %[spdr]\n\t"
        "sbiw %[count], 1\n\t"
        "brne 1b"
        : [block] "+r"(block), [frame] "+r"(frame), [card] "+r"(card), [bytes] "+x"(bytes), [count] "+w"(count),
          [byte] "=&r"(byte), [scratch] "=&d"(scratch)
        : [planes] "i"(ot_crc32_planes), [spdr] "I"(_SFR_IO_ADDR(SPDR)), [spsr] "I"(_SFR_IO_ADDR(SPSR)), [spif] "I"(SPIF)
        : "r30", "r31", "memory");
    checks->block = block;
    checks->frame = frame;
    checks->card = card;
}
