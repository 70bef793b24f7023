/* The port to a computer: the core with virtual time, a line given as bytes with their times, and a card on callbacks.
 *
 * Time passes with every byte on the card's bus and every look at the clock; bytes of the line arrive in between,
 * as by an interrupt. No serial transmitter and no desk here. */
#include "ot_port.h"

#include "ot_crc.h"
#include "ot_logger.h"
#include "ot_memory.h"
#include "ot_ring.h"
#include "ot_spec.h"

#include "host_api.h"

#define SPI_SLOW_NS 32000u
#define SPI_FAST_NS 1000u
#define LOOK_NS 2000u
#define NS_PER_TICK 4000u
#define SUPPLY_MV 5000u

static struct {
    uint8_t (*exchange)(uint8_t);
    void (*select)(uint8_t);
    const uint64_t *times_ns;
    const uint8_t *bytes;
    uint32_t count;
    uint32_t next;
    uint32_t heard;
    uint64_t now_ns;
    uint32_t turn_ns;
    uint64_t last_tick;
    uint8_t reset_cause;
    bool fast;
    bool listening;
    bool supply_started;
    bool line_ready;
    bool settings_valid;
    uint32_t baud;
    uint8_t gap_bytes;
} host;

typedef struct {
    const uint64_t *times_ns;
    uint32_t count;
    uint32_t come; /* of these, so far */
} script;

/* What happens at the sensors' inputs. */
static struct {
    script edges;
    script pulses;
    uint16_t readings[2];
    uint8_t input;
    uint8_t lines;
} world;

#define sensors (ot_the_memory.on.sensors.port)

volatile uint8_t host_quick;

static void pass(uint32_t ns)
{
    host.now_ns += ns;
    while (host.next < host.count && host.times_ns[host.next] <= host.now_ns) {
        uint64_t at = host.times_ns[host.next];
        if (host.listening) {
            uint64_t tick = at / NS_PER_TICK;
            uint64_t pause = tick - host.last_tick;
            host.heard++;
            ot_ring_receive(&ot_ring, host.bytes[host.next], 0, (uint32_t)tick,
                            pause < OT_PAUSE_MAX ? (uint16_t)pause : OT_PAUSE_MAX);
            host.last_tick = tick;
        }
        host.next++;
    }
}

uint8_t ot_port_spi(uint8_t out)
{
    uint8_t answer = host.exchange(out);
    pass(host.fast ? SPI_FAST_NS : SPI_SLOW_NS);
    return answer;
}

void ot_port_spi_put(const uint8_t *bytes, uint16_t count, ot_checks *checks)
{
    for (; count != 0u; count--) {
        uint8_t byte = *bytes++;
        (void)ot_port_spi(byte);
        checks->block = ot_crc32_add(checks->block, byte);
        checks->frame = ot_crc32_add(checks->frame, byte);
        checks->card = ot_crc16_add(checks->card, byte);
    }
}

void ot_port_spi_fast(bool fast) { host.fast = fast; }

void ot_port_card_select(bool on) { host.select(on ? 1 : 0); }

uint32_t ot_port_tick(void)
{
    pass(LOOK_NS);
    return (uint32_t)(host.now_ns / NS_PER_TICK);
}

uint8_t ot_port_lock(void) { return 0; }

void ot_port_unlock(uint8_t state) { (void)state; }

void ot_port_serial_stop(void) { host.listening = false; }

void ot_port_serial_start(uint32_t baud, bool transmit)
{
    (void)baud;
    host.listening = !transmit;
}

/* Every other time not, so that what is done meanwhile is done here too. */
bool ot_port_serial_ready(void)
{
    host.line_ready = !host.line_ready;
    return host.line_ready;
}

void ot_port_serial_send(uint8_t byte) { (void)byte; }

void ot_port_serial_drain(void) {}

void ot_port_light(bool on) { (void)on; }

void ot_port_supply_start(void) { host.supply_started = true; }

bool ot_port_supply_ready(uint16_t *supply_mv)
{
    bool ready = host.supply_started;
    host.supply_started = false;
    *supply_mv = SUPPLY_MV;
    return ready;
}

bool ot_port_supply_busy(void) { return host.supply_started; }

/* How much of a script has come to pass. */
static uint32_t come(script *what)
{
    while (what->come < what->count && what->times_ns[what->come] <= host.now_ns) {
        what->come++;
    }
    return what->come;
}

void ot_port_sensors_start(uint8_t flags)
{
    if (flags != 0u) {
        sensors.counted = come(&world.pulses);
        sensors.timed = sensors.counted;
    }
}

void ot_port_analogue_start(uint8_t input) { world.input = input; }

bool ot_port_analogue_ready(uint16_t *reading)
{
    *reading = world.readings[world.input];
    return true;
}

bool ot_port_event_arm(bool *high, uint32_t *tick)
{
    (void)tick;
    sensors.armed_at = come(&world.edges);
    sensors.armed = true;
    *high = (sensors.armed_at & 1u) == 0u;
    return false;
}

bool ot_port_event_taken(uint32_t *tick)
{
    if (!sensors.armed || come(&world.edges) == sensors.armed_at) {
        return false;
    }
    sensors.armed = false;
    *tick = (uint32_t)(world.edges.times_ns[sensors.armed_at] / NS_PER_TICK);
    return true;
}

uint32_t ot_port_pulses(void)
{
    uint32_t all = come(&world.pulses);
    uint32_t passed = all - sensors.counted;
    sensors.counted = all;
    return passed;
}

uint32_t ot_port_pulse_period(void)
{
    uint32_t from = sensors.timed;
    if (sensors.counted - from < 2u) {
        return 0;
    }
    sensors.timed = sensors.counted;
    uint64_t ticks = (world.pulses.times_ns[from + 1u] - world.pulses.times_ns[from]) / NS_PER_TICK;
    return ticks < OT_PULSE_PERIOD_MAX ? (uint32_t)ticks : 0u;
}

void ot_port_wire(uint8_t high)
{
    world.lines = high;
    pass(LOOK_NS);
}

uint8_t ot_port_wire_levels(void) { return world.lines; }

void host_sensors_put(const uint64_t *edges_ns, uint32_t edges, const uint64_t *pulses_ns, uint32_t pulses,
                      uint16_t reading_1, uint16_t reading_2)
{
    world.edges = (script){edges_ns, edges, 0};
    world.pulses = (script){pulses_ns, pulses, 0};
    world.readings[0] = reading_1;
    world.readings[1] = reading_2;
}

bool ot_port_settings_load(uint32_t *baud, uint8_t *gap_bytes)
{
    if (host.settings_valid) {
        *baud = host.baud;
        *gap_bytes = host.gap_bytes;
    }
    return host.settings_valid;
}

void ot_port_settings_save(uint32_t baud, uint8_t gap_bytes)
{
    host.settings_valid = true;
    host.baud = baud;
    host.gap_bytes = gap_bytes;
}

uint8_t ot_port_reset_cause(void) { return host.reset_cause; }

uint8_t ot_port_board_code(void) { return OT_BOARD_ATMEGA328P_16MHZ; }

void host_logger_begin_at(uint8_t (*exchange)(uint8_t), void (*select)(uint8_t), const uint64_t *times_ns,
                          const uint8_t *bytes, uint32_t count, uint8_t reset_cause, uint64_t start_ns)
{
    host.exchange = exchange;
    host.select = select;
    host.times_ns = times_ns;
    host.bytes = bytes;
    host.count = count;
    host.next = 0;
    host.heard = 0;
    host.now_ns = start_ns;
    host.last_tick = 0;
    host.reset_cause = reset_cause;
    host.listening = false;
    host.fast = false;
    pass(0); /* what the line said before goes by unheard */
    ot_logger_start();
}

void host_logger_begin(uint8_t (*exchange)(uint8_t), void (*select)(uint8_t), const uint64_t *times_ns, const uint8_t *bytes,
                       uint32_t count, uint8_t reset_cause)
{
    host_logger_begin_at(exchange, select, times_ns, bytes, count, reset_cause, 0);
}

void host_logger_pace(uint32_t turn_ns) { host.turn_ns = turn_ns; }

void host_logger_run(uint64_t until_ns)
{
    while (host.now_ns < until_ns) {
        ot_logger_poll();
        pass(host.turn_ns != 0u ? host.turn_ns : LOOK_NS);
    }
}

uint32_t host_logger_heard(void) { return host.heard; }

void host_settings_put(bool valid, uint32_t baud, uint8_t gap_bytes)
{
    host.settings_valid = valid;
    host.baud = baud;
    host.gap_bytes = gap_bytes;
}

bool host_settings_get(uint32_t *baud, uint8_t *gap_bytes) { return ot_port_settings_load(baud, gap_bytes); }

uint64_t host_logger_time_ns(void) { return host.now_ns; }

uint32_t host_logger_delivered(void) { return host.next; }

uint16_t host_logger_waiting(void) { return ot_ring_fill(); }
