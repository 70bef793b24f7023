/* The sensors' inputs: timer 1 captures the event's edge, timer 0 counts pulses, a pin interrupt times two of them, and the
 * two-wire bus is driven by software.
 *
 * Register facts: ATmega48A/PA/88A/PA/168A/PA/328/P datasheet (DS40002061A). */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/delay.h>

#include "ot_board.h"
#include "ot_memory.h"
#include "ot_port.h"
#include "ot_spec.h"

#define EVENT PB0
#define PULSES PD4
#define WIRE_DATA PC4
#define WIRE_CLOCK PC5
#define WIRE_HALF_US 5 /* of a clock in standard mode: at least 4.7 us low, 4.0 high (UM10204, table 10) */
#define CAPTURE_COUNTS (F_CPU / 8u / (1000000000ul / OT_TICK_NS)) /* timer 1, at an eighth of the clock, in a tick */

#define sensors (ot_the_memory.on.sensors.port)

static bool is_on(uint8_t flags, uint8_t sensor) { return (flags & sensor) != 0u; }

/* Pulses are counted from here on: the two that are timed next must differ from this count. Interrupt off. */
static void arm_pulses(void)
{
    sensors.pulse_step = 0;
    PCIFR = _BV(PCIF2);
    sensors.pulse_count[0] = TCNT0; /* after the flag: or a pulse between the two would be timed by its falling edge */
    PCICR = _BV(PCIE2);
}

/* Let timer 1 count on from the tick that begins now, so that a captured count tells the tick's low byte by itself. */
static void align_capture(void)
{
    uint8_t state = ot_port_lock();
    uint8_t low = TCNT2;
    uint16_t count = (uint16_t)((low + 1u) * CAPTURE_COUNTS + 1u); /* by then the tick has lasted for about one */
    __asm__ volatile("" : "+r"(count));                            /* worked out now, not then */
    while (TCNT2 == low) {
    }
    TCNT1 = count;
    ot_port_unlock(state);
}

/* Inputs that are in use have the chip's pull-up, but for the two-wire bus, whose parts bring their own. */
void ot_port_sensors_start(uint8_t flags)
{
    TIMSK0 = 0;
    TIMSK1 = 0;
    PCICR = 0;
    TCCR0B = 0;
    TCCR1B = 0;
    DIDR0 = is_on(flags, OT_SENSOR_ANALOGUE) ? _BV(ADC0D) | _BV(ADC1D) : 0u;
    if (is_on(flags, OT_SENSOR_EVENT)) {
        PORTB |= _BV(EVENT);
        TCCR1A = 0;
        TCCR1B = _BV(ICNC1) | _BV(CS11);
        align_capture();
    }
    if (is_on(flags, OT_SENSOR_PULSES)) {
        PORTD |= _BV(PULSES);
        TCCR0A = 0;
        TCCR0B = _BV(CS02) | _BV(CS01) | _BV(CS00); /* rising edges at T0 */
        TCNT0 = 0;
        TIFR0 = _BV(TOV0);
        TIMSK0 = _BV(TOIE0);
        PCMSK2 = _BV(PCINT20);
        arm_pulses();
    }
}

static bool event_level(void) { return (PINB & _BV(EVENT)) != 0u; }

/* The edge was captured a moment ago, less than 256 ticks. The edges that bounce after it must not be captured over it, so
 * it is the last one until the next arming. */
ISR(TIMER1_CAPT_vect)
{
    uint8_t low = (uint8_t)(ICR1 / CAPTURE_COUNTS);
    uint32_t now = ot_port_tick();
    sensors.edge_tick = now - (uint8_t)((uint8_t)now - low);
    sensors.edge = true;
    TIMSK1 = 0;
}

/* Locked, so that only an edge within a few cycles of the look at the level can be missed; and the tick is read at once. */
bool ot_port_event_arm(bool *high, uint32_t *tick)
{
    TIMSK1 = 0;
    sensors.edge = false;
    uint8_t state = ot_port_lock();
    bool level = event_level();
    TCCR1B = (uint8_t)(_BV(ICNC1) | _BV(CS11) | (level ? 0u : _BV(ICES1)));
    TIFR1 = _BV(ICF1);
    TIMSK1 = _BV(ICIE1);
    bool missed = event_level() != level && (TIFR1 & _BV(ICF1)) == 0u;
    if (missed) {
        TIMSK1 = 0;
        *tick = ot_port_tick();
    }
    ot_port_unlock(state);
    *high = level;
    return missed;
}

bool ot_port_event_taken(uint32_t *tick)
{
    bool taken = sensors.edge;
    if (taken) {
        *tick = sensors.edge_tick; /* the interrupt is off until the next arming */
        sensors.edge = false;
    }
    return taken;
}

ISR(TIMER0_OVF_vect) { sensors.rounds++; }

uint32_t ot_port_pulses(void)
{
    uint8_t state = ot_port_lock();
    uint8_t low = TCNT0;
    uint16_t rounds = sensors.rounds;
    if ((TIFR0 & _BV(TOV0)) != 0u && low < 0x80u) {
        rounds++; /* not served yet */
    }
    ot_port_unlock(state);
    uint32_t count = (uint32_t)rounds << 8 | low;
    uint32_t passed = (count - sensors.counted) & 0xfffffful;
    sensors.counted = count;
    return passed;
}

/* Either edge brings it; the count tells whether a pulse began. */
ISR(PCINT2_vect)
{
    uint8_t count = TCNT0;
    if (count != sensors.pulse_count[0]) {
        uint8_t step = sensors.pulse_step;
        sensors.pulse_tick[step] = ot_port_tick();
        sensors.pulse_count[step] = count;
        sensors.pulse_step = (uint8_t)(step + 1u);
        if (step != 0u) {
            PCICR = 0;
        }
    }
}

/* A pulse may have passed while the interrupt had to wait: what the two took is shared among those counted. */
uint32_t ot_port_pulse_period(void)
{
    uint8_t step = sensors.pulse_step;
    if (step != 2u) {
        if (step != 0u && ot_port_tick() - sensors.pulse_tick[0] >= OT_PULSE_PERIOD_MAX) {
            PCICR = 0;
            arm_pulses(); /* the next pulse is a first one again */
        }
        return 0;
    }
    uint32_t ticks = sensors.pulse_tick[1] - sensors.pulse_tick[0];
    uint8_t pulses = (uint8_t)(sensors.pulse_count[1] - sensors.pulse_count[0]);
    arm_pulses();
    return ticks / pulses;
}

/* A line is low when it is an output, whose level is low; let go of, it is an input without pull-up. */
void ot_port_wire(uint8_t high)
{
    uint8_t low = (uint8_t)~high;
    DDRC = (uint8_t)((DDRC & (uint8_t) ~(_BV(WIRE_DATA) | _BV(WIRE_CLOCK))) |
                     (is_on(low, OT_WIRE_DATA) ? _BV(WIRE_DATA) : 0u) | (is_on(low, OT_WIRE_CLOCK) ? _BV(WIRE_CLOCK) : 0u));
    _delay_us(WIRE_HALF_US);
}

uint8_t ot_port_wire_levels(void)
{
    uint8_t pins = PINC;
    return (uint8_t)((is_on(pins, _BV(WIRE_DATA)) ? OT_WIRE_DATA : 0u) | (is_on(pins, _BV(WIRE_CLOCK)) ? OT_WIRE_CLOCK : 0u));
}
