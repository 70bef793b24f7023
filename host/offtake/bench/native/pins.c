/* Port pins: the card's select line, what the firmware does to the pins of line and sensors, what the world does to
 * them, and a log of watched pins. */
#include "bench.h"

enum { PIN_EVENT = 0, PIN_PULSES = 4, PINS_ANALOGUE = 3, PIN_SDA = 4, PIN_SCL = 5, PINS_BUS = 0x30 };

static void first(uint64_t *cycle, const avr_t *avr, bool now)
{
    if (now && *cycle == 0) {
        *cycle = avr->cycle ? avr->cycle : 1u;
    }
}

/* Whether the firmware drives or pulls up a sensor's pin. On the bus it may pull low, and nothing else. */
static void sensor_pins_changed(bench_t *b)
{
    const avr_t *avr = b->avr;
    bench_sensor_stats_t *s = &b->bus.stats;
    struct { uint64_t *output; uint64_t *pullup; avr_io_addr_t ddr; uint32_t pins; } inputs[] = {
        {&s->event_output_cycle, &s->event_pullup_cycle, REG_DDRB, 1u << PIN_EVENT},
        {&s->pulses_output_cycle, &s->pulses_pullup_cycle, REG_DDRD, 1u << PIN_PULSES},
        {&s->analogue_output_cycle, &s->analogue_pullup_cycle, REG_DDRC, PINS_ANALOGUE},
    };
    for (size_t i = 0; i < sizeof inputs / sizeof inputs[0]; i++) {
        uint32_t ddr = avr->data[inputs[i].ddr];
        uint32_t port = avr->data[inputs[i].ddr + 1u];
        first(inputs[i].output, avr, (ddr & inputs[i].pins) != 0);
        first(inputs[i].pullup, avr, (~ddr & port & inputs[i].pins) != 0);
    }
    uint32_t ddr = avr->data[REG_DDRC];
    uint32_t port = avr->data[REG_PORTC];
    first(&s->bus_driven_cycle, avr, (ddr & port & PINS_BUS) != 0);
    first(&s->bus_pullup_cycle, avr, (~ddr & port & PINS_BUS) != 0);
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
    sensor_pins_changed(b);
    bus_pins_changed(b);
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
    w->next(avr, addr, addr == base ? written_bits(avr, v) : v, w->next_param);
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

/* The levels of sensor pins as PINx shows them: the world's, half a cycle or more before; where nothing is connected
 * the pull-up's. */
static uint32_t world_pins(const bench_t *b, avr_io_addr_t pin_register, uint32_t *mask)
{
    const avr_t *avr = b->avr;
    const struct world *w = &b->world;
    uint64_t now = access_cycle(avr);
    double seen = (double)now - 0.5;
    uint32_t pullup = avr->data[pin_register + 2u];
    if (pin_register == REG_PINB) {
        *mask = 1u << PIN_EVENT;
        return w->event.trains ? (uint32_t)signal_level(&w->event, seen) << PIN_EVENT : pullup & *mask;
    }
    if (pin_register == REG_PIND) {
        *mask = 1u << PIN_PULSES;
        return w->pulses.trains ? (uint32_t)signal_level(&w->pulses, seen) << PIN_PULSES : pullup & *mask;
    }
    *mask = PINS_BUS;
    uint32_t sda = bus_wire_read(&b->bus.sda, now) ? 1u << PIN_SDA : 0u;
    uint32_t scl = bus_wire_read(&b->bus.scl, now) ? 1u << PIN_SCL : 0u;
    return sda | scl;
}

static uint8_t port_read(avr_t *avr, avr_io_addr_t addr, void *param)
{
    struct wrapped *w = param;
    uint32_t mask;
    uint32_t v = w->next_read(avr, addr, w->next_param);
    uint32_t levels = world_pins(w->bench, addr, &mask);
    if (addr != REG_PINC) {
        mask &= ~(uint32_t)avr->data[addr + 1u];   /* an output shows what it drives */
    }
    v = (v & ~mask) | (levels & mask);
    avr->data[addr] = (uint8_t)v;
    return (uint8_t)v;
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

static void wrap_read(bench_t *b, avr_io_addr_t reg)
{
    uint32_t i = (uint32_t)AVR_DATA_TO_IO(reg);
    struct wrapped *w = &b->wrapped[b->wrapped_count++];
    w->bench = b;
    w->next_read = b->avr->io[i].r.c;
    w->next_param = b->avr->io[i].r.param;
    b->avr->io[i].r.c = port_read;
    b->avr->io[i].r.param = w;
}

void pins_install(bench_t *b)
{
    for (avr_io_addr_t reg = REG_PINB; reg <= REG_PORTD; reg++) {
        wrap(b, reg, port_write);
    }
    wrap_read(b, REG_PINB);
    wrap_read(b, REG_PINC);
    wrap_read(b, REG_PIND);
}
