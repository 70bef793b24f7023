/* The sensors beside the receiver: two analogue inputs, an event input, a pulse counter and a pressure sensor. Each is
 * asked from the main loop, at the rate that the journal's settings give; only the event's edge and a pulse's time come
 * by interrupt. All of their memory is the ring's while no sensor is on (ot_memory.h). */
#ifndef OT_SENSORS_H
#define OT_SENSORS_H

#include <stdbool.h>
#include <stdint.h>

#include "ot_board.h"
#include "ot_spec.h"

typedef struct {
    ot_port_sensors port; /* the port's own, for its interrupts too */
    ot_head_journal_sensors settings;
    uint32_t analogue_due;
    uint32_t pulses_due;
    uint32_t pressure_due;
    uint32_t analogue_tick; /* of the first conversion */
    uint32_t pressure_tick; /* of the measurement's start */
    uint32_t edge_tick;     /* of the edge that may become an event */
    uint32_t pulses;        /* since the run's start */
    uint16_t analogue_sum[2];
    uint16_t ignored;   /* edges that did not last, since the event before */
    uint8_t silent;     /* readings that the pressure sensor owes, not staged as a loss yet */
    uint8_t conversion; /* of the analogue inputs, the one under way; 0: none */
    uint8_t pressure_step;
    bool level;         /* of the event input, when it last stood for long enough */
    bool unsettled;     /* an edge has come, and not stood yet */
} ot_sensor_state;

/* A run begins: sensors as the settings in ot_the_memory say; or, without any, all of them off. */
void ot_sensors_start(bool any);

/* The pressure sensor's constants once more, with its next reading. */
void ot_sensors_meet_again(void);

/* One turn of the main loop while recording. */
void ot_sensors_poll(void);

/* The analogue inputs have the converter. */
bool ot_sensors_convert(void);

#endif
