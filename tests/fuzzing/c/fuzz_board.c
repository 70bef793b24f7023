#include "fuzz_board.h"

#include <stdbool.h>

#include "fuzz_card.h"
#include "ot_crc.h"
#include "ot_port.h"
#include "ot_spec.h"

#include "host_api.h"

#define BYTE_NS 4000u
#define SCALE 250u /* of the logger's time against the port's: a look at the clock is then half a millisecond */
#define NS_PER_MS (1000000u / SCALE)
#define QUIET_LOOKS 2600u /* 1.3 s: longer than the trial of another speed */
#define NEVER 0xffffffffffffffffull

static struct {
    uint64_t times_ns[FUZZ_LINE_MAX]; /* what the port sees; NEVER for what is held back */
    uint64_t due_ns[FUZZ_LINE_MAX];
    uint8_t bytes[FUZZ_LINE_MAX];
    bool held[FUZZ_LINE_MAX]; /* this byte and those after it wait until the logger is quiet */
    uint64_t now_ns;
    uint32_t count;
    uint32_t free; /* the bytes before this one are not held back */
    bool hold;
} line;

static uint32_t looks;
static uint32_t looks_limit;
static uint32_t quiet_looks; /* since the logger last heard or did something */
static uint32_t delivered;

uint8_t fuzz_sent[FUZZ_SENT_MAX];
uint32_t fuzz_sent_count;

extern uint8_t fuzz_core_begin[]; /* set by fuzz_section.ld */
extern uint8_t fuzz_core_end[];

/* As start-up code does. Not by memset: what lies between two variables belongs to the address sanitizer, which would
 * object. */
__attribute__((no_sanitize("address"))) static void wipe(void)
{
    for (volatile uint8_t *at = fuzz_core_begin; at != fuzz_core_end; at++) {
        *at = 0;
    }
}

void fuzz_line_clear(void)
{
    line.count = 0;
    line.free = 0;
    line.now_ns = 0;
    line.hold = false;
}

void fuzz_line_byte(uint8_t byte)
{
    if (line.count < FUZZ_LINE_MAX) {
        line.now_ns += BYTE_NS;
        line.due_ns[line.count] = line.now_ns;
        line.times_ns[line.count] = NEVER;
        line.held[line.count] = line.hold;
        line.bytes[line.count++] = byte;
        line.hold = false;
    }
}

void fuzz_line_pause(uint32_t ms) { line.now_ns += (uint64_t)ms * NS_PER_MS; }

void fuzz_line_hold(void) { line.hold = true; }

/* The bytes up to the next hold go out, the first of them at `first_ns`. */
static void let_go(uint64_t first_ns)
{
    uint64_t due_ns = line.due_ns[line.free];
    do {
        line.times_ns[line.free] = first_ns + (line.due_ns[line.free] - due_ns);
        line.free++;
    } while (line.free < line.count && !line.held[line.free]);
}

void fuzz_line_packet(const uint8_t *body, uint16_t size)
{
    uint16_t crc = OT_CRC16_PACKET_START;
    uint16_t total = (uint16_t)(size + 2u);
    uint8_t check[2];
    for (uint16_t i = 0; i < size; i++) {
        crc = ot_crc16_add(crc, body[i]);
    }
    check[0] = (uint8_t)crc;
    check[1] = (uint8_t)(crc >> 8);
    fuzz_line_byte(0);
    uint16_t at = 0;
    for (;;) {
        uint8_t run = 0;
        while (run < 254u && at + run < total && (at + run < size ? body[at + run] : check[at + run - size]) != 0u) {
            run++;
        }
        fuzz_line_byte((uint8_t)(run + 1u));
        for (uint8_t i = 0; i < run; i++, at++) {
            fuzz_line_byte(at < size ? body[at] : check[at - size]);
        }
        if (at == total) {
            break;
        }
        if (run != 254u) {
            at++;
        }
    }
    fuzz_line_byte(0);
}

static uint8_t exchange(uint8_t out)
{
    quiet_looks = 0;
    return fuzz_card_exchange(out);
}

void fuzz_board_run(uint8_t reset_cause, uint32_t run_ms, uint32_t looks_max)
{
    wipe();
    looks = 0;
    looks_limit = looks_max;
    quiet_looks = 0;
    delivered = 0;
    fuzz_sent_count = 0;
    let_go(line.due_ns[0]);
    host_logger_begin(exchange, fuzz_card_select, line.times_ns, line.bytes, line.count, reset_cause);
    host_logger_run(host_logger_time_ns() + (uint64_t)run_ms * NS_PER_MS);
}

/* The linker sends the core's calls here (--wrap); the port's own functions are __real_ ones. */
uint32_t __real_ot_port_tick(void);
uint32_t __wrap_ot_port_tick(void);
void __real_ot_port_serial_start(uint32_t baud, bool transmit);
void __wrap_ot_port_serial_start(uint32_t baud, bool transmit);
void __wrap_ot_port_serial_send(uint8_t byte);

uint32_t __wrap_ot_port_tick(void)
{
    looks++;
    if (looks > looks_limit) {
        fuzz_fail("the logger does not come to an end");
    }
    quiet_looks = host_logger_delivered() == delivered ? quiet_looks + 1u : 0u;
    delivered = host_logger_delivered();
    if (quiet_looks > QUIET_LOOKS && delivered == line.free && line.free < line.count) {
        let_go(host_logger_time_ns());
    }
    return __real_ot_port_tick() * SCALE;
}

/* The port hears the line only in the field; at the desk it has to as well. */
void __wrap_ot_port_serial_start(uint32_t baud, bool transmit)
{
    (void)transmit;
    __real_ot_port_serial_start(baud, false);
}

void __wrap_ot_port_serial_send(uint8_t byte)
{
    quiet_looks = 0;
    if (fuzz_sent_count < FUZZ_SENT_MAX) {
        fuzz_sent[fuzz_sent_count++] = byte;
    }
}
