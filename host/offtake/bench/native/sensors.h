/* The world round the board, and the chip's parts that meet it: timers, converter, pin changes, and an I2C bus
 * with a pressure part on it. Included by bench.h. */
#ifndef OFFTAKE_SENSORS_H
#define OFFTAKE_SENSORS_H

/* Data-space addresses (ATmega328P datasheet, register summary; from memory). */
enum {
    REG_TIFR0 = 0x35, REG_TIFR1 = 0x36, REG_TIFR2 = 0x37, REG_PCIFR = 0x3B, REG_GTCCR = 0x43,
    REG_TCCR0A = 0x44, REG_TCCR0B = 0x45, REG_TCNT0 = 0x46, REG_OCR0A = 0x47, REG_OCR0B = 0x48,
    REG_PCICR = 0x68, REG_PCMSK0 = 0x6B, REG_PCMSK1 = 0x6C, REG_PCMSK2 = 0x6D,
    REG_TIMSK0 = 0x6E, REG_TIMSK1 = 0x6F, REG_TIMSK2 = 0x70,
    REG_ADCL = 0x78, REG_ADCH = 0x79, REG_ADCSRA = 0x7A, REG_ADMUX = 0x7C,
    REG_TCCR1A = 0x80, REG_TCCR1B = 0x81, REG_TCNT1L = 0x84, REG_TCNT1H = 0x85, REG_ICR1L = 0x86, REG_ICR1H = 0x87,
    REG_OCR1AL = 0x88, REG_OCR1AH = 0x89, REG_OCR1BL = 0x8A, REG_OCR1BH = 0x8B,
    REG_TCCR2A = 0xB0, REG_TCCR2B = 0xB1, REG_TCNT2 = 0xB2, REG_OCR2A = 0xB3, REG_OCR2B = 0xB4, REG_ASSR = 0xB6
};

/* A level that is low but for pulses: train i gives count[i] of them, each high for high[i] cycles, the first from
 * start[i] on, one every period[i]. Pulses are in the order of time and do not overlap. */
struct signal {
    double *start;
    double *period;
    double *high;
    uint64_t *first;   /* number of the train's first pulse */
    uint64_t trains;
    uint64_t pulses;
};

/* A value over time: straight between its points, constant before the first and after the last. */
struct curve {
    double *cycle;
    double *value;
    uint64_t points;
    uint64_t cursor;
};

enum { TIMERS = 3, FLAG_TOV = 1, FLAG_OCFA = 2, FLAG_OCFB = 4, FLAG_ICF = 32 };

struct timer {
    bench_t *bench;
    uint32_t index;
    uint32_t size;             /* 256 or 65,536 */
    uint32_t select;           /* clock select bits as written; 0: stopped */
    uint64_t steps;            /* of the selected clock, up to the last look */
    uint32_t count;
    uint32_t compare[2];
    uint32_t flags;
    avr_io_addr_t tifr, timsk;
    avr_int_vector_t *vectors[4];   /* overflow, compare A, compare B, capture */
};

struct timers {
    struct timer of[TIMERS];
    uint64_t origin[2];        /* cycle at which each prescaler began to count: timers 0 and 1, timer 2 */
    uint8_t temp;              /* high byte of timer 1's 16-bit registers on its way */
    uint8_t control1;          /* TCCR1B */
    uint16_t icr;
};

/* Edges of one pin, taken one after the other with the synchroniser's delay. */
struct pin_edges {
    bool level;                /* behind synchroniser and, for the capture, noise canceller */
    double from;               /* edges up to here have been dealt with */
    bool next_level;
};

struct edges {
    struct pin_edges capture;
    struct pin_edges change[2];   /* PCINT0 on PB0, PCINT20 on PD4 */
    uint32_t change_flags;        /* PCIFR */
    avr_int_vector_t *vectors[2];
    bool false_edges;             /* changing ICES1 or PCMSKn may raise a flag */
    struct log captures;
};

struct adc {
    avr_int_vector_t *vector;
    uint32_t control;          /* ADCSRA without ADSC and ADIF */
    bool flag;
    bool busy;
    bool first;                /* since ADEN: 25 clocks */
    int stage;
    uint64_t on_since;
    uint64_t start;
    uint32_t mux;              /* ADMUX as locked when the conversion began */
    uint16_t held;
    uint16_t result;
    bool locked;               /* ADCL has been read, ADCH not yet */
    uint64_t noise;
    struct log samples;
};

/* One wire of the I2C bus. */
struct wire {
    bench_t *bench;
    bool master_low;
    bool device_low;
    bool rising;               /* nobody pulls it any more, its level is on its way up */
    bool level;
    bool before;               /* its level until `changed` */
    uint64_t changed;
};

enum { SPAN_PRESENT, SPAN_STUCK };

struct span {
    uint64_t from;
    uint64_t to;
    uint64_t clocks;           /* stuck only until so many clock pulses have come; 0: until `to` */
};

enum { PART_IDLE, PART_ADDRESS, PART_REGISTER, PART_WRITE, PART_READ, PART_DEAF };
enum { PART_REGISTERS = 256 };

struct part {
    bench_part_config_t cfg;
    bool fitted;
    struct curve pressure;
    struct curve temperature;
    struct span *present;
    uint64_t present_count;
    struct span *stuck;
    uint64_t stuck_count;
    uint8_t reg[PART_REGISTERS];
    /* bus */
    int state;
    uint32_t bits;             /* of the byte under way; 9: its acknowledge */
    uint32_t shift;
    bool reading;
    bool first_byte;           /* the one after a start: the address */
    bool acknowledged;
    bool sda_low;
    bool burst;                /* data registers are being read: they hold still */
    uint8_t pointer;
    uint64_t powered_since;
    bool was_present;
    /* conversion */
    bool converting;
    bool fresh;                /* a result waits for the end of a burst */
    uint32_t next_pressure;
    uint32_t next_temperature;
};

struct bus {
    struct wire sda;
    struct wire scl;
    struct part part;
    uint64_t scl_rose;
    uint64_t scl_fell;
    uint64_t stuck_clocks;     /* clock pulses since SDA stuck */
    bool stuck;
    struct log conversions;
    bench_sensor_stats_t stats;
};

struct world {
    struct signal event;       /* PB0 */
    struct signal pulses;      /* PD4 */
    struct curve analogue[2];
    double noise_mv[2];
};

/* signal.c */
bool signal_level(const struct signal *s, double t);
uint64_t signal_rises(const struct signal *s, double t);
uint64_t signal_falls(const struct signal *s, double t);
double signal_rise_at(const struct signal *s, uint64_t pulse);
double signal_fall_at(const struct signal *s, uint64_t pulse);
double signal_next_edge(const struct signal *s, double t, bool *level);
double curve_value(struct curve *c, double t);
void world_free(bench_t *b);

/* timers.c */
void timers_install(bench_t *b);
void timers_reset(bench_t *b);
void timers_entered(bench_t *b, uint8_t vector);
void timers_capture(bench_t *b, uint64_t cycle, uint32_t kind);
void timers_pulses_changed(bench_t *b);

/* edges.c */
void edges_install(bench_t *b);
void edges_reset(bench_t *b);
void edges_entered(bench_t *b, uint8_t vector);
void edges_select_changed(bench_t *b, uint8_t before, uint8_t now);
void edges_world_changed(bench_t *b);

/* adc.c */
void adc_install(bench_t *b);
void adc_reset(bench_t *b);
void adc_entered(bench_t *b, uint8_t vector);

/* i2c.c */
void bus_install(bench_t *b);
void bus_pins_changed(bench_t *b);
void bus_device_changed(bench_t *b);
void bus_settle(bench_t *b);
bool bus_wire_read(const struct wire *w, uint64_t cycle);
void bus_free(bench_t *b);

/* part.c */
void part_start(bench_t *b);
void part_stop(bench_t *b);
void part_clock_rose(bench_t *b);
void part_clock_fell(bench_t *b);
void part_power(bench_t *b, bool on);
bool part_present(bench_t *b);
void part_free(bench_t *b);

#endif
