/* The core on this computer against the bench's card, stopped at any byte on the card's bus. Read word for word by the
 * Python side, after host/offtake/bench/native/api.h. */

typedef struct driver driver_t;

/* Where to stop: the first of these that comes true. A value of ~0 never does. */
typedef struct {
    uint64_t at_ns;     /* virtual time */
    uint64_t accepted;  /* so many blocks accepted by the card since the driver was made */
    uint64_t offered;   /* so many data blocks answered, refused ones too, ... */
    uint64_t in_block;  /* ... and so many bytes of the next one on the bus, its check included */
    uint64_t commands;  /* so many commands carried out */
} driver_stop_t;

/* What `at_stop` answers. */
enum { DRIVER_GO_ON = 0, DRIVER_CUT = 1 };

/* How driver_run ended. */
enum { DRIVER_REACHED = 0, DRIVER_WAS_CUT = 1, DRIVER_HUNG = 2 };

driver_t *driver_new(uint32_t (*at_stop)(void), uint8_t *image, uint32_t sectors, const bench_card_config_t *config);
void driver_free(driver_t *d);
bench_t *driver_bench(driver_t *d);

/* A chip that starts at `start_ns` with its memory as after power-up; the card and the line go on. */
void driver_begin(driver_t *d, const uint64_t *times_ns, const uint8_t *bytes, uint32_t count, uint32_t cause,
                  uint64_t start_ns);
void driver_set_stop(driver_t *d, const driver_stop_t *stop);
int32_t driver_run(driver_t *d, uint64_t until_ns);
uint64_t driver_time_ns(driver_t *d);
void driver_insert(driver_t *d, const bench_card_config_t *config);
