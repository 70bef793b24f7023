/* The SPI master: a transfer takes eight clocks at the set divider, counted from the end of the store to SPDR;
 * SPIF clears by reading SPSR and then touching SPDR; a store during a transfer is a write collision and
 * changes nothing (ATmega328P datasheet, "SPI - Serial Peripheral Interface"). The emulator's own SPI module
 * moves its byte at the store and knows no collision, so its handlers are replaced. */
#include "bench.h"

enum { SPIE = 7, SPE = 6, MSTR = 4 };
enum { PIN_MOSI = 3, PIN_SCK = 5 };

static uint32_t divider(const avr_t *avr)
{
    static const uint8_t divide[4] = {4, 16, 64, 128};
    uint32_t d = divide[avr->data[REG_SPCR] & 3u];
    return (avr->data[REG_SPSR] & 1u) ? d / 2u : d;
}

static void follow(bench_t *b)
{
    vector_follow(b->avr, b->spi.vector, b->spi.spif);
}

static avr_cycle_count_t spi_done(avr_t *avr, avr_cycle_count_t when, void *param)
{
    bench_t *b = param;
    struct spi *s = &b->spi;
    (void)when;
    s->busy = false;
    s->spif = true;
    uint32_t outputs = (1u << PIN_MOSI) | (1u << PIN_SCK);
    if ((avr->data[REG_DDRB] & outputs) == outputs) {
        s->in = card_exchange(b, s->out);
    } else {
        b->card.stats.unclocked++;
        s->in = 0xFF;
    }
    follow(b);
    return 0;
}

static void touch(struct spi *s)
{
    if (s->armed) {
        s->spif = false;
        s->wcol = false;
        s->armed = false;
    }
}

static uint8_t read_spsr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct spi *s = &((bench_t *)param)->spi;
    s->armed = s->spif || s->wcol;
    avr->data[addr] = (uint8_t)((avr->data[addr] & 1u) | (s->spif ? 0x80u : 0u) | (s->wcol ? 0x40u : 0u));
    return avr->data[addr];
}

static void write_spsr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    (void)param;
    avr->data[addr] = (uint8_t)((avr->data[addr] & 0xC0u) | (v & 1u));
}

static uint8_t read_spdr(avr_t *avr, avr_io_addr_t addr, void *param)
{
    bench_t *b = param;
    touch(&b->spi);
    follow(b);
    avr->data[addr] = b->spi.in;
    return b->spi.in;
}

static void write_spdr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    struct spi *s = &b->spi;
    uint32_t on = (1u << SPE) | (1u << MSTR);
    (void)addr;
    touch(s);
    follow(b);
    if ((avr->data[REG_SPCR] & on) != on) {
        return;
    }
    if (s->busy) {
        s->wcol = true;
        return;
    }
    uint32_t d = divider(avr);
    uint64_t hz = b->cfg.frequency_hz / d;
    if (!b->card.ready && b->card.present && hz > b->card.stats.max_init_hz) {
        b->card.stats.max_init_hz = hz;
    }
    if (hz > b->card.stats.max_hz) {
        b->card.stats.max_hz = hz;
    }
    s->busy = true;
    s->out = v;
    /* One cycle for the OUT itself: a handler runs at its instruction's start. */
    bench_at(b, avr->cycle + 1u + 8u * d, spi_done, b);
}

static void write_spcr(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    bench_t *b = param;
    avr->data[addr] = v;
    if (!((v >> SPE) & 1u) && b->spi.busy) {
        b->spi.busy = false;
        avr_cycle_timer_cancel(avr, spi_done, b);
    }
    follow(b);
}

void spi_install(bench_t *b)
{
    io_own(b, REG_SPSR, read_spsr, write_spsr, b);
    io_own(b, REG_SPDR, read_spdr, write_spdr, b);
    io_own(b, REG_SPCR, NULL, write_spcr, b);
    b->spi.vector = vector_find(b->avr, 17);
}

void spi_reset(bench_t *b)
{
    struct spi *s = &b->spi;
    s->busy = s->spif = s->wcol = s->armed = false;
    s->in = 0;
}

void spi_entered(bench_t *b, uint8_t vector)
{
    if (vector == b->spi.vector->vector) {
        b->spi.spif = false;
    }
    follow(b);
}
