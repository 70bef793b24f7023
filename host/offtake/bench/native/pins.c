/* Port pins: the card's select line, what the firmware does to the serial pins, and a log of watched pins. */
#include "bench.h"

static void first(uint64_t *cycle, const avr_t *avr, bool now)
{
    if (now && *cycle == 0) {
        *cycle = avr->cycle ? avr->cycle : 1u;
    }
}

/* Looks at the ports after any store to them. An undriven select line is high: sockets pull it up. */
void pins_changed(bench_t *b)
{
    const avr_t *avr = b->avr;
    uint32_t mask = 1u << b->cfg.cs_pin;
    bool low = (avr->data[REG_DDRB] & mask) && !(avr->data[REG_PORTB] & mask);
    if (low != b->card.selected) {
        card_select(b, low);
    }
    uint32_t ddr = avr->data[REG_DDRD];
    uint32_t port = avr->data[REG_PORTD];
    first(&b->passive.rx_output_cycle, avr, ddr & 1u);
    first(&b->passive.rx_pullup_cycle, avr, !(ddr & 1u) && (port & 1u));
    first(&b->passive.tx_output_cycle, avr, (ddr & 2u) != 0);
}

static uint32_t watched(const bench_t *b, avr_io_addr_t pin_register)
{
    switch (pin_register) {
    case REG_PINB: return b->cfg.watch_b;
    case REG_PINC: return b->cfg.watch_c;
    default: return b->cfg.watch_d;
    }
}

/* Logs value = port letter << 16 | pin << 8 | level; a pin that is not an output counts as low. */
static void port_write(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct wrapped *w = param;
    bench_t *b = w->bench;
    avr_io_addr_t base = (avr_io_addr_t)(REG_PINB + (addr - REG_PINB) / 3u * 3u);
    uint32_t before = avr->data[base + 1u] & avr->data[base + 2u];
    w->next(avr, addr, v, w->next_param);
    uint32_t after = avr->data[base + 1u] & avr->data[base + 2u];
    uint32_t changed = (before ^ after) & watched(b, base);
    for (uint32_t pin = 0; changed != 0; pin++, changed >>= 1) {
        if (changed & 1u) {
            uint32_t letter = (uint32_t)'B' + (base - REG_PINB) / 3u;
            log_event(&b->pins, avr->cycle, 0, (letter << 16) | (pin << 8) | ((after >> pin) & 1u));
        }
    }
    pins_changed(b);
}

/* An interrupt enable bit set after its flag: silicon requests at once, the emulator forgets the flag. */
static void mask_write(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    struct wrapped *w = param;
    w->next(avr, addr, v, w->next_param);
    for (uint32_t i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = avr->interrupts.vector[i];
        if (vector->enable.reg == addr && vector->raised.reg != 0) {
            vector_follow(avr, vector, avr_regbit_get(avr, vector->raised) != 0);
        }
    }
}

static void plain_write(avr_t *avr, avr_io_addr_t addr, uint8_t v, void *param)
{
    (void)param;
    avr_core_watch_write(avr, addr, v);
}

static void wrap(bench_t *b, avr_io_addr_t reg, avr_io_write_t write)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(reg);
    struct wrapped *w = &b->wrapped[b->wrapped_count++];
    w->bench = b;
    w->next = b->avr->io[i].w.c != NULL ? b->avr->io[i].w.c : plain_write;
    w->next_param = b->avr->io[i].w.param;
    b->avr->io[i].w.c = write;
    b->avr->io[i].w.param = w;
}

void pins_install(bench_t *b)
{
    for (avr_io_addr_t reg = REG_PINB; reg <= REG_PORTD; reg++) {
        wrap(b, reg, port_write);
    }
    wrap(b, REG_TIMSK0, mask_write);
    wrap(b, REG_TIMSK1, mask_write);
    wrap(b, REG_TIMSK2, mask_write);
    wrap(b, REG_ADCSRA, mask_write);
}
