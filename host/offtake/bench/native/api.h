/* What Python calls. This file holds plain declarations only, because the Python side hands it to
 * cffi word for word: no preprocessor lines, and every struct laid out so that it has no hidden padding. */

typedef struct bench bench_t;

typedef struct {
    uint32_t frequency_hz;
    uint32_t vcc_mv;
    uint32_t bandgap_mv;
    uint32_t startup_cycles;   /* from the end of a reset's cause to the first instruction (fuses) */
    uint32_t reset_pc;         /* byte address of the first instruction: 0, or a boot loader's start */
    uint32_t cs_pin;           /* bit of port B that selects the card */
    uint32_t profile;          /* 1: one instruction at a time, with stack, interrupt and PC figures */
    uint32_t watch_b;          /* pins whose level changes are logged, one mask for each port */
    uint32_t watch_c;
    uint32_t watch_d;
    uint64_t sram_seed;
} bench_config_t;

typedef struct {
    uint32_t high_capacity;        /* 1: SDHC, block addresses; 0: SDSC, byte addresses */
    uint32_t version;              /* 2: answers CMD8; 1: calls it illegal */
    uint32_t ncr_bytes;            /* FF bytes before R1, 1 to 8 */
    uint32_t accept_token;         /* data response for "accepted"; the upper three bits are undefined */
    uint32_t cmd0_ignored;         /* how many well-formed CMD0 get no answer */
    uint32_t garbage_bytes;        /* how many bytes of garbage precede CMD0's answer */
    uint32_t miso_low_before_init; /* 1: drives 0 until CMD0 has been answered */
    uint32_t miso_floats;          /* 1: reads seeded noise wherever the card does not drive */
    uint32_t keeps_transfer;       /* 1: a write goes on after a deselect in the middle of a block */
    uint32_t needs_74_clocks;      /* 1: no CMD0 is heard before 74 clocks with the card deselected */
    uint32_t single_only;          /* 1: CMD25 is refused as illegal */
    uint32_t reserved;
    uint64_t power_up_cycles;      /* no command is heard before */
    uint64_t acmd41_cycles;        /* from the first ACMD41 to ready */
    uint64_t read_latency_cycles;
    uint64_t stop_busy_cycles;     /* busy after the stop token or CMD12 */
    uint64_t noise_seed;
} bench_card_config_t;

typedef struct {
    uint64_t cycle;
    uint32_t kind;
    uint32_t value;
} bench_event_t;

typedef struct {
    uint64_t accepted;   /* cycle at which the card answered the block */
    uint64_t durable;    /* cycle at which busy ended, or will end; 0 when the block was refused */
    uint32_t lba;
    uint32_t ordinal;    /* counts every data block that reached the card, refused ones too */
    uint32_t response;   /* 5 accepted, 0x0B CRC error, 0x0D write error, 0xFF no answer */
    uint32_t single;     /* 1: CMD24 */
    uint64_t began;      /* cycle at which its data token had been received */
} bench_write_t;

typedef struct {
    uint64_t cycle;
    uint64_t sent;            /* bytes of the line whose start bit has begun */
    uint64_t framed;          /* of these, the receiver took their start bit as a start bit */
    uint64_t missed_off;      /* start bit came while the receiver was off */
    uint64_t missed_sync;     /* start bit came while the receiver was busy with something it took for a byte */
    uint64_t unsettled;       /* start bit has come but is not yet judged */
    uint64_t spurious;        /* frames that began at no byte's start bit */
    uint64_t aborted;         /* frames cut short by switching the receiver off or changing its speed */
    uint64_t in_flight;       /* frame being shifted in now: 0 or 1 */
    uint64_t read;            /* frames the firmware took from the data register */
    uint64_t overrun_lost;    /* frames lost in the shift register */
    uint64_t flushed;         /* frames thrown away with the FIFO when the receiver went off */
    uint64_t waiting;         /* frames in the FIFO and the shift register now */
    uint64_t framing_errors;  /* of all frames that were shifted in */
    uint64_t empty_reads;     /* reads of an empty data register */
    uint64_t tx_bytes;
    uint64_t tx_dropped;      /* written with the transmitter off or its buffer full */
    uint64_t false_starts;    /* low pulses too short for a start bit */
} bench_uart_stats_t;

typedef struct {
    uint64_t txen_cycle;       /* first cycle at which each happened; 0 for never */
    uint64_t tx_output_cycle;
    uint64_t rx_output_cycle;
    uint64_t rx_pullup_cycle;
} bench_passive_t;

typedef struct {
    uint64_t blocks_written;      /* accepted */
    uint64_t blocks_refused;
    uint64_t blocks_read;
    uint64_t commands;
    uint64_t busy_violations;     /* bytes other than FF sent to a busy card */
    uint64_t crc7_wrong;          /* commands whose CRC-7 was wrong, whether the card checked it or not */
    uint64_t illegal;             /* commands answered "illegal" */
    uint64_t early_cmd0;          /* CMD0 before 74 clocks with the card deselected */
    uint64_t unclocked;           /* transfers with SCK or MOSI not an output */
    uint64_t max_init_hz;         /* fastest clock seen by a powered card that was not ready yet */
    uint64_t max_hz;
    uint64_t init_done_cycle;     /* last time the card became ready; 0 for not */
    uint64_t cmd0_count;
    uint64_t deselected_mid_block;
    uint32_t ready;
    uint32_t present;
    uint32_t in_flight;           /* accepted blocks still in busy: 0 or 1 */
    uint32_t receiving;           /* 1 while a data block is partly received */
    uint32_t in_flight_lba;
    uint32_t crc_on;
} bench_card_stats_t;

typedef struct {
    uint64_t cycles_asleep;
    uint64_t irq_off_max;        /* after the first time interrupts were on */
    uint64_t irq_off_max_at;     /* cycle at which that stretch began */
    uint64_t irq_off_start;      /* from reset to the first time on */
    uint32_t irq_off_pc;         /* byte address at which that stretch began */
    uint32_t sp_min;
    uint32_t sleep_modes;        /* bit n set: slept in SMCR mode n */
    uint32_t irq_count[32];
    uint32_t irq_max[32];
    uint32_t reserved;
    uint64_t irq_total[32];
} bench_profile_t;

typedef struct {
    uint64_t erased;          /* pages, finished ones */
    uint64_t written;
    uint64_t ignored;         /* SPM instructions without effect: too late, outside the boot section, no such command */
    uint64_t boot_touched;    /* erasures and writes inside the boot section */
    int64_t busy_page;        /* byte address of the page being erased or written, or -1 */
    uint64_t busy_done;       /* cycle at which that ends */
} bench_pages_t;

typedef struct {
    uint32_t address;             /* 7 bits */
    uint32_t chip_id;
    uint32_t own_pull_ups;        /* 1: they are on the part's board, and go with it */
    uint32_t conversion_percent;  /* of the longest time */
    uint64_t rise_cycles;         /* of a wire let go */
    uint64_t stretch_cycles;      /* SCL held low after each byte */
    uint64_t startup_cycles;      /* deaf after power-on */
    uint8_t constants[24];
} bench_part_config_t;

typedef struct {
    uint64_t event_output_cycle;   /* first cycle at which each happened; 0 for never */
    uint64_t event_pullup_cycle;
    uint64_t pulses_output_cycle;
    uint64_t pulses_pullup_cycle;
    uint64_t analogue_output_cycle;
    uint64_t analogue_pullup_cycle;
    uint64_t bus_driven_cycle;     /* SDA or SCL driven high */
    uint64_t bus_pullup_cycle;
    uint64_t starts;
    uint64_t stops;
    uint64_t acknowledged;         /* addresses that were answered */
    uint64_t unanswered;
    uint64_t bytes_read;
    uint64_t bytes_written;        /* after the address */
    uint64_t conversions;
    uint64_t too_fast;             /* SCL high for under 0.6 us or low for under 1.3 us */
    uint64_t unexpected;           /* orders that the part does not follow, starts within a byte */
} bench_sensor_stats_t;

bench_t *bench_new(const bench_config_t *config);
void bench_free(bench_t *bench);
uint32_t bench_abi(uint32_t which);
void bench_load_flash(bench_t *bench, const uint8_t *code, uint32_t size, uint32_t address);
void bench_read_flash(bench_t *bench, uint8_t *to, uint32_t size, uint32_t address);
void bench_reset(bench_t *bench, uint32_t cause, uint64_t seed);
int32_t bench_run(bench_t *bench, uint64_t until);
void bench_stop_when(bench_t *bench, uint64_t writes, uint64_t tx_bytes, uint64_t reads);
uint64_t bench_cycle(bench_t *bench);
uint32_t bench_pc(bench_t *bench);
const char *bench_message(bench_t *bench);
uint32_t bench_read_data(bench_t *bench, uint32_t address, uint8_t *to, uint32_t size);
uint32_t bench_write_data(bench_t *bench, uint32_t address, const uint8_t *from, uint32_t size);
void bench_get_profile(bench_t *bench, bench_profile_t *to);
void bench_clear_profile(bench_t *bench);
const uint64_t *bench_pc_cycles(bench_t *bench);
void bench_get_passive(bench_t *bench, bench_passive_t *to);
void bench_set_voltage(bench_t *bench, uint32_t vcc_mv);

void bench_eeprom_get(bench_t *bench, uint8_t *to);
void bench_eeprom_set(bench_t *bench, const uint8_t *from);
int32_t bench_eeprom_busy(bench_t *bench);

void bench_get_pages(bench_t *bench, bench_pages_t *to);
const bench_event_t *bench_page_events(bench_t *bench, uint64_t *count);
void bench_page_cut(bench_t *bench, uint64_t seed);

int32_t bench_line_append(bench_t *bench, const double *start, const uint16_t *pattern, const double *bit,
                          uint64_t count);
int32_t bench_line_noise(bench_t *bench, const double *start, const uint16_t *pattern, const double *bit,
                         uint64_t count);
void bench_line_invert(bench_t *bench, uint32_t invert);
double bench_line_end(bench_t *bench);
void bench_uart_stats(bench_t *bench, bench_uart_stats_t *to);
const bench_event_t *bench_uart_events(bench_t *bench, uint64_t *count);
const bench_event_t *bench_uart_reads(bench_t *bench, uint64_t *count);
const bench_event_t *bench_uart_sent(bench_t *bench, uint64_t *count);
const bench_event_t *bench_pin_events(bench_t *bench, uint64_t *count);

void bench_desk_baud(bench_t *bench, double baud);
uint64_t bench_desk_take(bench_t *bench, uint8_t *to, uint64_t room);
void bench_desk_flush(bench_t *bench);
int32_t bench_watch_opens(const char *path);
int32_t bench_watch_next(int32_t watch, int32_t *opened, int32_t *closed);

void bench_card_insert(bench_t *bench, const bench_card_config_t *config, uint8_t *image, uint32_t sectors);
void bench_card_remove(bench_t *bench);
int32_t bench_card_busy_times(bench_t *bench, const uint64_t *cycles, uint64_t count);
int32_t bench_card_read_times(bench_t *bench, const uint64_t *cycles, uint64_t count);
int32_t bench_card_faults(bench_t *bench, uint32_t kind, const uint64_t *ordinals, uint64_t count);
void bench_card_stats(bench_t *bench, bench_card_stats_t *to);
const bench_write_t *bench_card_writes(bench_t *bench, uint64_t *count);
const bench_event_t *bench_card_commands(bench_t *bench, uint64_t *count);
void bench_bus_select(bench_t *bench, uint32_t selected);
uint8_t bench_bus_exchange(bench_t *bench, uint8_t mosi, uint32_t cycles);
void bench_bus_wait(bench_t *bench, uint64_t cycles);
uint32_t bench_card_recent(bench_t *bench, uint32_t back, uint32_t *lba, uint8_t *before, uint8_t *after,
                           uint32_t *settled);
uint32_t bench_card_block(bench_t *bench, uint64_t index, uint32_t *lba, uint8_t *before, uint8_t *after);

int32_t bench_world_signal(bench_t *bench, uint32_t which, const double *start, const double *period,
                           const double *high, const uint64_t *count, uint64_t trains);
int32_t bench_world_curve(bench_t *bench, uint32_t which, const double *cycle, const double *value, uint64_t points);
void bench_world_noise(bench_t *bench, double first_mv, double second_mv, uint64_t seed);
void bench_world_false_edges(bench_t *bench, uint32_t on);
void bench_part_spans(bench_t *bench, uint32_t which, const uint64_t *from, const uint64_t *until,
                      const uint64_t *clocks, uint64_t count);
void bench_part_fit(bench_t *bench, const bench_part_config_t *config);
void bench_get_sensors(bench_t *bench, bench_sensor_stats_t *to);
const bench_event_t *bench_adc_samples(bench_t *bench, uint64_t *count);
const bench_event_t *bench_captures(bench_t *bench, uint64_t *count);
const bench_event_t *bench_conversions(bench_t *bench, uint64_t *count);
