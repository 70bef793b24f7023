/* Registers of the chip that the bench answers for itself, and what the instruction at work means for them. */
#include <stdio.h>

#include "bench.h"

enum { OPCODE_SBI = 0x9A00, OPCODE_BITS = 0x9800 };

/* Takes a register over from the emulator; NULL for plain memory. */
void io_own(bench_t *b, avr_io_addr_t reg, avr_io_read_t read, avr_io_write_t write, void *param)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(reg);
    b->avr->io[i].r.c = read;
    b->avr->io[i].r.param = param;
    b->avr->io[i].w.c = write;
    b->avr->io[i].w.param = param;
}

static uint32_t opcode(const avr_t *avr)
{
    return (uint32_t)avr->flash[avr->pc] | ((uint32_t)avr->flash[avr->pc + 1u] << 8);
}

/* The cycle in which the instruction at work touches the register: IN, OUT and the bit instructions in their first,
 * loads and stores in their second. */
uint64_t access_cycle(const avr_t *avr)
{
    uint32_t op = opcode(avr);
    bool at_once = (op & 0xF000u) == 0xB000u || (op & 0xFC00u) == (uint32_t)OPCODE_BITS;
    return avr->cycle + (at_once ? 0u : 1u);
}

/* What a store to a register of flags writes: SBI one bit only (ATmega328P datasheet, note to the register summary).
 * The emulator reads, changes and writes back the whole. */
uint8_t written_bits(const avr_t *avr, uint8_t v)
{
    uint32_t op = opcode(avr);
    return (op & 0xFF00u) == (uint32_t)OPCODE_SBI ? (uint8_t)(1u << (op & 7u)) : v;
}

/* Ends the run, because the firmware asks for something that the bench does not model. */
void bench_refuse(bench_t *b, const char *what)
{
    if (b->message[0] == 0) {
        (void)snprintf(b->message, sizeof b->message, "%s", what);
    }
    b->bad_opcode = true;
    bench_halt(b);
}
