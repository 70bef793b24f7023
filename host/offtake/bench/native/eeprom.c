/* The EEPROM: a write takes 3.4 ms (1.8 ms for erase only or write only), during which EEPE reads 1 and the
 * cell holds neither value; the emulator's own finishes at once and clears EEPE. A reset does not stop a
 * write, a power cut does and leaves the cell as noise (ATmega328P datasheet, "EEPROM Data Memory"). */
#include <string.h>

#include "bench.h"

enum { EEPM1 = 5, EEPM0 = 4, EERIE = 3, EEMPE = 2, EEPE = 1, EERE = 0 };

static uint16_t address(const avr_t *avr)
{
    return (uint16_t)((avr->data[REG_EEARL] | (avr->data[REG_EEARH] << 8)) & (EEPROM_BYTES - 1));
}

static void follow(bench_t *b)
{
    vector_follow(b->avr, b->eeprom.vector, !b->eeprom.busy);
}

static avr_cycle_count_t eeprom_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct eeprom *e = &b->eeprom;
    (void)avr;
    (void)when;
    e->bytes[e->address] = e->value;
    e->busy = false;
    follow(b);
    return 0;
}

static uint8_t read_eecr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct eeprom *e = &((bench_t *)param)->eeprom;
    uint32_t v = avr->data[addr] & ((1u << EEPM1) | (1u << EEPM0) | (1u << EERIE));
    v |= e->busy ? 1u << EEPE : 0u;
    v |= avr->cycle <= e->armed_until ? 1u << EEMPE : 0u;
    return (uint8_t)v;
}

static void begin_write(bench_t *b, uint32_t mode)
{
    struct eeprom *e = &b->eeprom;
    avr_t *avr = b->avr;
    static const uint32_t microseconds[4] = {3400, 1800, 1800, 3400};
    e->address = address(avr);
    uint8_t old = e->bytes[e->address];
    uint8_t data = avr->data[REG_EEDR];
    e->value = mode == 1u ? 0xFFu : mode == 2u ? (uint8_t)(old & data) : data;
    e->busy = true;
    selfprogram_forget_buffer(b);
    e->done = avr->cycle + (uint64_t)microseconds[mode] * b->cfg.frequency_hz / 1000000u;
    bench_at(b, e->done, eeprom_done, b);
}

static void write_eecr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct eeprom *e = &b->eeprom;
    bool armed = avr->cycle <= e->armed_until && e->armed_until != 0;
    if (((v >> EEPE) & 1u) && armed && !e->busy) {
        begin_write(b, (v >> EEPM0) & 3u);
        e->armed_until = 0;
    } else if ((v >> EEMPE) & 1u) {
        e->armed_until = avr->cycle + 5u;   /* four cycles from the end of this store */
    }
    if (((v >> EERE) & 1u) && !e->busy) {
        avr->data[REG_EEDR] = e->bytes[address(avr)];
    }
    avr->data[addr] = (uint8_t)(v & ((1u << EEPM1) | (1u << EEPM0) | (1u << EERIE)));
    follow(b);
}

void eeprom_install(bench_t *b)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(REG_EECR);
    memset(b->eeprom.bytes, 0xFF, EEPROM_BYTES);
    b->avr->io[i].r.c = read_eecr;
    b->avr->io[i].r.param = b;
    b->avr->io[i].w.c = write_eecr;
    b->avr->io[i].w.param = b;
    b->eeprom.vector = vector_find(b->avr, 22);
}

/* A write under way goes on through a reset; its timer went with the emulator's. */
void eeprom_reset(bench_t *b)
{
    struct eeprom *e = &b->eeprom;
    e->armed_until = 0;
    if (e->busy) {
        bench_at(b, e->done, eeprom_done, b);
    }
}

void bench_eeprom_get(bench_t *b, uint8_t *to)
{
    memcpy(to, b->eeprom.bytes, EEPROM_BYTES);
}

void bench_eeprom_set(bench_t *b, const uint8_t *from)
{
    memcpy(b->eeprom.bytes, from, EEPROM_BYTES);
}

/* The address of the cell being written, or -1: a power cut now leaves noise there. */
int32_t bench_eeprom_busy(bench_t *b)
{
    return b->eeprom.busy ? (int32_t)b->eeprom.address : -1;
}
