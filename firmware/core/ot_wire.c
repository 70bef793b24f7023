#include "ot_wire.h"

#include "ot_compiler.h"
#include "ot_port.h"

#define BOTH (OT_WIRE_DATA | OT_WIRE_CLOCK)
#define READ 1u
#define STRETCH_TRIES 100u /* of 10 us at least */
#define CLEAR_CLOCKS 9u    /* a part that was cut off in a byte lets go of the data line within these (UM10204, 3.1.16) */

/* Let go of the lines in `high`, hold the others low, and wait for the clock if it is let go of: a part may stretch it. */
static OT_NOINLINE bool set_lines(uint8_t high)
{
    ot_port_wire(high);
    for (uint8_t tries = STRETCH_TRIES; (high & OT_WIRE_CLOCK & (uint8_t)~ot_port_wire_levels()) != 0u; tries--) {
        if (tries == 0u) {
            return false;
        }
        ot_port_wire(high);
    }
    return true;
}

/* One clock with `data` on the data line. Returns the level there, with OT_WIRE_CLOCK when the clock went up. */
static OT_NOINLINE uint8_t clock_bit(uint8_t data)
{
    (void)set_lines(data);
    bool up = set_lines(data | OT_WIRE_CLOCK);
    uint8_t levels = ot_port_wire_levels() & OT_WIRE_DATA;
    (void)set_lines(data);
    return up ? levels | OT_WIRE_CLOCK : levels;
}

/* False without an acknowledge. */
static OT_NOINLINE bool send_byte(uint8_t byte)
{
    for (uint8_t bit = 0x80u; bit != 0u; bit >>= 1) {
        if ((clock_bit((byte & bit) != 0u ? OT_WIRE_DATA : 0u) & OT_WIRE_CLOCK) == 0u) {
            return false;
        }
    }
    return clock_bit(OT_WIRE_DATA) == OT_WIRE_CLOCK;
}

static OT_NOINLINE bool receive_byte(uint8_t *byte, bool last)
{
    uint8_t value = 0;
    for (uint8_t i = 0; i < 8u; i++) {
        uint8_t levels = clock_bit(OT_WIRE_DATA);
        if ((levels & OT_WIRE_CLOCK) == 0u) {
            return false;
        }
        value = (uint8_t)((uint8_t)(value << 1) | (levels & OT_WIRE_DATA)); /* which is bit 0 */
    }
    *byte = value;
    return (clock_bit(last ? OT_WIRE_DATA : 0u) & OT_WIRE_CLOCK) != 0u;
}

/* A start, or a repeated one, then the part's address. */
static OT_NOINLINE bool begin(uint8_t address)
{
    (void)set_lines(OT_WIRE_DATA); /* the clock is low now, so that this is no stop */
    for (uint8_t clocks = CLEAR_CLOCKS; clocks != 0u && (ot_port_wire_levels() & OT_WIRE_DATA) == 0u; clocks--) {
        if ((clock_bit(OT_WIRE_DATA) & OT_WIRE_CLOCK) == 0u) {
            return false; /* both are held: nine such waits would stop the main loop for longer than it may */
        }
    }
    if (!set_lines(BOTH) || ot_port_wire_levels() != BOTH) {
        return false;
    }
    (void)set_lines(OT_WIRE_CLOCK);
    (void)set_lines(0);
    return send_byte(address);
}

static OT_NOINLINE void end(void)
{
    (void)set_lines(0);
    (void)set_lines(OT_WIRE_CLOCK);
    (void)set_lines(BOTH);
}

bool ot_wire_read(uint8_t address, uint8_t reg, uint8_t *bytes, uint8_t count)
{
    uint8_t to_part = (uint8_t)(address << 1);
    bool done = begin(to_part) && send_byte(reg) && begin(to_part | READ);
    for (; done && count != 0u; count--) {
        done = receive_byte(bytes++, count == 1u);
    }
    end();
    return done;
}

bool ot_wire_write(uint8_t address, uint8_t reg, uint8_t value)
{
    bool done = begin((uint8_t)(address << 1)) && send_byte(reg) && send_byte(value);
    end();
    return done;
}
