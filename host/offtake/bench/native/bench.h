/* The bench's inside: one simulated board (chip, serial line, SPI bus, card), driven by libsimavr 1.6. */
#ifndef OFFTAKE_BENCH_H
#define OFFTAKE_BENCH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include <avr_eeprom.h>
#include <avr_uart.h>
#include <avr_watchdog.h>
#include <sim_avr.h>
#include <sim_core.h>
#include <sim_cycle_timers.h>
#include <sim_interrupts.h>
#include <sim_io.h>

#include "api.h"

/* Data-space addresses of the registers the bench answers for (ATmega328P datasheet, register summary). */
enum {
    REG_PINB = 0x23, REG_DDRB = 0x24, REG_PORTB = 0x25,
    REG_PINC = 0x26, REG_DDRC = 0x27, REG_PORTC = 0x28,
    REG_PIND = 0x29, REG_DDRD = 0x2A, REG_PORTD = 0x2B,
    REG_EECR = 0x3F, REG_EEDR = 0x40, REG_EEARL = 0x41, REG_EEARH = 0x42,
    REG_SPCR = 0x4C, REG_SPSR = 0x4D, REG_SPDR = 0x4E,
    REG_SMCR = 0x53, REG_MCUSR = 0x54, REG_SPMCSR = 0x57, REG_WDTCSR = 0x60, REG_SPL = 0x5D, REG_SPH = 0x5E,
    REG_UCSR0A = 0xC0, REG_UCSR0B = 0xC1, REG_UCSR0C = 0xC2,
    REG_UBRR0L = 0xC4, REG_UBRR0H = 0xC5, REG_UDR0 = 0xC6
};

enum { RESET_POWER_ON = 1, RESET_EXTERNAL = 2, RESET_BROWN_OUT = 4, RESET_WATCHDOG = 8 };
enum { STATUS_REACHED = 0, STATUS_STOPPED = 1, STATUS_CRASHED = 2, STATUS_ASLEEP_FOR_EVER = 3 };
enum { EVENT_FRAMING = 1, EVENT_OVERRUN = 2 };
enum { FAULT_WRITE_ERROR = 0, FAULT_CRC_ERROR = 1, FAULT_READ_TOKEN = 2, FAULT_READ_CRC = 3, FAULT_SILENT = 4,
       FAULT_KINDS = 5 };

enum { EEPROM_BYTES = 1024, SECTOR = 512, RECENT = 64, FLASH_WORDS = 16384, VECTORS = 32,
       FLASH_BYTES = 32768, PAGE_BYTES = 128, NRWW_START = 0x7000 };

/* A log that grows; `size` is that of one record. */
struct log {
    uint8_t *data;
    size_t size;
    uint64_t count;
    uint64_t room;
};

/* A waveform as ten-symbol frames: symbol k of frame i lasts from start + k*bit to start + (k+1)*bit cycles.
 * Between frames the level is `idle`. */
struct track {
    double *start;
    double *bit;
    uint16_t *pattern;
    uint64_t count;
    uint64_t room;
    uint64_t cursor;   /* last frame looked at: lookups are nearly always near the one before */
    bool idle;
};

struct line {
    struct track main;
    struct track noise;   /* its ones flip the line */
    bool invert;
};

enum { RX_IDLE, RX_START, RX_DATA };
enum { UCSRA_U2X = 1, UCSRB_RXEN = 4 };

struct rx_byte {
    uint8_t value;
    bool fe;
    bool dor;
};

struct uart {
    struct line line;
    avr_uart_t *sim;
    /* receiver */
    int rx_state;
    double rx_edge;            /* cycle of the sample that first saw the start bit */
    double rx_from;            /* the receiver looks for a start edge from here on */
    bool rx_spurious;
    struct rx_byte fifo[2];
    uint32_t fifo_count;
    struct rx_byte shift;
    bool shift_full;
    bool lost_pending;
    uint8_t last_udr;
    uint64_t judged;           /* frames of the line before this one are accounted for */
    /* transmitter */
    struct track tx_track;
    bool tx_busy;
    bool tx_full;
    uint8_t tx_buffer;
    bool txc;
    /* registers as the firmware wrote them */
    uint8_t ucsra;
    uint8_t ucsrb;
    uint16_t ubrr;
    bench_uart_stats_t stats;
    struct log events;
    struct log reads;
    struct log sent;
};

struct spi {
    avr_int_vector_t *vector;
    bool busy;
    bool spif;
    bool wcol;
    bool armed;                /* SPSR was read with a flag set: the next SPDR access clears it */
    uint8_t out;
    uint8_t in;
};

struct eeprom {
    uint8_t bytes[EEPROM_BYTES];
    bool busy;
    uint64_t done;             /* cycle at which the write under way ends */
    uint16_t address;
    uint8_t value;
    uint64_t armed_until;      /* end of the four cycles that EEMPE opens */
    avr_int_vector_t *vector;
};

enum page_step { PAGE_IDLE, PAGE_ERASE, PAGE_WRITE };

/* Self-programming. While `hidden`, the emulator's flash reads FF below NRWW_START and `rww` keeps what is there. */
struct selfprogram {
    uint32_t command;          /* SPMCSR's command bits, as last written */
    uint64_t open_until;       /* end of the four cycles in which SPM has to follow; 0: shut */
    uint16_t buffer[PAGE_BYTES / 2];
    bool filled[PAGE_BYTES / 2];
    enum page_step step;
    uint32_t page;             /* byte address of the page being erased or written */
    uint64_t began;
    uint64_t done;
    bool hidden;
    uint8_t rww[NRWW_START];
    uint32_t boot_start;
    bench_pages_t stats;
    struct log events;
};

struct watchdog {
    avr_int_vector_t *vector;
    uint32_t wdtcsr;
    uint64_t open_until;       /* end of the four cycles that WDCE opens */
    bool bitten;
};

/* A block the card has accepted, with what it replaces, kept so that a power cut can undo or tear it. */
struct recent {
    uint32_t lba;
    bool settled;
    uint8_t before[SECTOR];
    uint8_t after[SECTOR];
};

struct flashfault {
    struct recent ring[RECENT];
    uint64_t count;
    struct log all;            /* every block accepted since the bench was made, for the tests to compare with */
};

enum { OUT_ROOM = 1024 };

struct card {
    bench_card_config_t cfg;
    uint8_t *image;
    uint32_t sectors;
    bool present;
    bool selected;
    uint64_t power_on;         /* cycle */
    uint32_t clocks;           /* seen while deselected since power-up */
    bool spi_mode;
    bool idle;
    bool ready;
    bool app;                  /* CMD55 came just before */
    bool crc_on;
    uint64_t acmd41_first;
    uint32_t cmd0_left_to_ignore;
    uint8_t cmd[6];
    uint32_t cmd_count;
    uint8_t out[OUT_ROOM];
    uint32_t out_head;
    uint32_t out_count;
    /* reading */
    bool read_multi;
    bool read_pending;
    uint64_t read_ready;
    uint32_t read_lba;
    /* writing */
    int write_state;
    bool write_multi;
    uint32_t write_lba;
    uint32_t write_got;
    uint64_t write_began;
    uint8_t block[SECTOR + 2];
    bool respond;              /* a data response token is due */
    uint8_t response;
    uint64_t busy_until;
    bool in_flight;
    uint64_t *busy;
    uint64_t busy_count;
    uint64_t busy_next;
    uint64_t *read_times;
    uint64_t read_count;
    uint64_t read_next;
    uint64_t *faults[FAULT_KINDS];
    uint64_t fault_count[FAULT_KINDS];
    uint64_t write_ordinal;
    uint64_t read_ordinal;
    uint64_t noise;
    bench_card_stats_t stats;
    struct log writes;
    struct log commands;
};

struct desk {
    double bit;                /* the host's bit time in cycles; 0: no host */
    double from;               /* the host's receiver looks for a start edge from here on */
};

#include "sensors.h"

/* A register handler of the emulator's that the bench calls from its own. */
struct wrapped {
    bench_t *bench;
    avr_io_write_t next;
    avr_io_read_t next_read;
    void *next_param;
};

enum { WRAPPED_ROOM = 16, NEST_ROOM = 16 };

struct bench {
    avr_t *avr;
    bench_config_t cfg;
    struct uart uart;
    struct spi spi;
    struct eeprom eeprom;
    struct watchdog watchdog;
    struct selfprogram selfprogram;
    struct card card;
    struct flashfault fault;
    struct desk desk;
    struct world world;
    struct timers timers;
    struct edges edges;
    struct adc adc;
    struct bus bus;
    uint32_t vcc_mv;
    bench_passive_t passive;
    struct log pins;
    struct wrapped wrapped[WRAPPED_ROOM];
    uint32_t wrapped_count;
    uint64_t hold_until;       /* reset is still being held: the chip's start-up time */
    bool stop;
    bool bad_opcode;
    uint64_t stop_writes;
    uint64_t stop_tx;
    uint64_t stop_reads;
    char message[200];
    /* profile */
    bench_profile_t profile;
    uint64_t *pc_cycles;
    uint8_t nest_vector[NEST_ROOM];
    uint64_t nest_start[NEST_ROOM];
    uint32_t nest;
    uint64_t off_since;
    uint32_t off_pc;
    bool was_on;
    bool ever_on;
};

/* util.c */
void *log_add(struct log *log, size_t size);
void log_event(struct log *log, uint64_t cycle, uint32_t kind, uint32_t value);
void log_free(struct log *log);
uint64_t noise_next(uint64_t *state);
uint16_t crc16_xmodem(const uint8_t *data, size_t size);
uint8_t crc7_mmc(const uint8_t *data, size_t size);

/* interrupts.c */
avr_int_vector_t *vector_find(avr_t *avr, uint8_t number);
void vector_withdraw(avr_t *avr, avr_int_vector_t *vector);
void vector_follow(avr_t *avr, avr_int_vector_t *vector, bool flag);
void bench_halt(bench_t *b);
void bench_at(bench_t *b, uint64_t cycle, avr_cycle_timer_t timer, void *param);

/* io.c */
void io_own(bench_t *b, avr_io_addr_t reg, avr_io_read_t read, avr_io_write_t write, void *param);
uint64_t access_cycle(const avr_t *avr);
uint8_t written_bits(const avr_t *avr, uint8_t v);
void bench_refuse(bench_t *b, const char *what);

/* line.c */
bool track_append(struct track *t, const double *start, const uint16_t *pattern, const double *bit, uint64_t n);
void track_free(struct track *t);
bool line_level(struct line *line, double t);
double line_next_fall(struct line *line, double from);
bool line_majority(struct line *line, double edge, double period, uint32_t samples, uint32_t bit);

/* receiver.c */
bool uart_rx_on(const struct uart *u);
uint32_t uart_samples(const struct uart *u);
double uart_period(const struct uart *u);
void rx_judge_missed(struct uart *u, double t, bool off);
void rx_search(bench_t *b);
void rx_push(struct uart *u, struct rx_byte byte);
void rx_break_off(bench_t *b);
void rx_switch(bench_t *b, bool was_on, bool on);

/* uart.c */
void uart_follow(bench_t *b);
void uart_install(bench_t *b);
void uart_reset(bench_t *b);
void uart_entered(bench_t *b, uint8_t vector);
void uart_line_changed(bench_t *b);
void uart_free(bench_t *b);

/* spi.c */
void spi_install(bench_t *b);
void spi_reset(bench_t *b);
void spi_entered(bench_t *b, uint8_t vector);

/* pins.c */
void pins_install(bench_t *b);
void pins_changed(bench_t *b);

/* eeprom.c */
void eeprom_install(bench_t *b);
void eeprom_reset(bench_t *b);

/* selfprogram.c */
void selfprogram_install(bench_t *b);
void selfprogram_reset(bench_t *b);
void selfprogram_forget_buffer(bench_t *b);
void selfprogram_free(bench_t *b);

/* watchdog.c */
void watchdog_install(bench_t *b);
void watchdog_reset(bench_t *b);
void watchdog_entered(bench_t *b, uint8_t vector);

/* card.c */
void card_power_on(bench_t *b);
uint8_t card_exchange(bench_t *b, uint8_t mosi);
void card_select(bench_t *b, bool selected);
void card_settle(bench_t *b);
void card_free(bench_t *b);

/* cardcmd.c */
void card_command(bench_t *b);
void card_put(struct card *c, uint8_t byte);
uint64_t card_read_time(struct card *c);
void card_put_block(struct card *c, const uint8_t *data, uint32_t size, bool bad_crc);
void card_clear_out(struct card *c);
bool card_fault(const struct card *c, uint32_t kind, uint64_t ordinal);
enum { WRITE_NONE, WRITE_TOKEN, WRITE_DATA };

/* flashfault.c */
void fault_accept(bench_t *b, uint32_t lba, const uint8_t *after);
void fault_settle(bench_t *b);

#endif
