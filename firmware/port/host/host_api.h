/* What the core offers on a computer, in types that any language can call. Read word for word by the Python side. */

/* Records of messages (group 0) and packets (group 1), by code: field values as numbers, in order, arrays element by
 * element; fixed byte strings and constants count as one value each, 0, and so does what the bytes end before. `values`
 * has room for 255. Both return one of ot_errors. */
uint8_t host_decode(uint8_t group, uint8_t code, const uint8_t *bytes, uint16_t size, int64_t *values, uint8_t *count);
uint8_t host_encode(uint8_t group, uint8_t code, const int64_t *values, uint8_t *bytes, uint8_t *size);

/* out: code, length, tick offset, place of the payload, size. */
uint8_t host_frame_parse(const uint8_t *bytes, uint16_t size, uint32_t journal_id, uint32_t block_number, uint32_t *out);
uint16_t host_frame_build(uint8_t code, uint32_t tick_offset, const uint8_t *payload, uint16_t length, uint32_t journal_id,
                          uint32_t block_number, uint8_t *out);

/* out: version, used bytes, journal id, block number, run number, open tick. */
uint8_t host_block_check(const uint8_t *bytes, uint16_t size, uint32_t *out);

uint16_t host_crc16(const uint8_t *bytes, uint32_t size, uint16_t start);
uint32_t host_crc32(const uint8_t *bytes, uint32_t size);
uint8_t host_crc7_end(const uint8_t *bytes, uint8_t size);

/* The logger itself, in virtual time. `exchange` is one byte over the card's bus, `select` its select line. */
void host_logger_begin(uint8_t (*exchange)(uint8_t), void (*select)(uint8_t), const uint64_t *times_ns, const uint8_t *bytes,
                       uint32_t count, uint8_t reset_cause);
/* The same for a chip that starts at `start_ns`: what the line said before goes by unheard. */
void host_logger_begin_at(uint8_t (*exchange)(uint8_t), void (*select)(uint8_t), const uint64_t *times_ns,
                          const uint8_t *bytes, uint32_t count, uint8_t reset_cause, uint64_t start_ns);
void host_logger_run(uint64_t until_ns);
void host_logger_pace(uint32_t turn_ns); /* what a turn of the main loop takes by itself; 0: the usual 2 us */

/* What the sensors' inputs do from the logger's begin on: the event input, high at first, changes at each of `edges_ns`; a
 * pulse begins at each of `pulses_ns`; the analogue inputs read what is given. Nothing answers on the two-wire bus. */
void host_sensors_put(const uint64_t *edges_ns, uint32_t edges, const uint64_t *pulses_ns, uint32_t pulses,
                      uint16_t reading_1, uint16_t reading_2);
uint64_t host_logger_time_ns(void);
uint32_t host_logger_delivered(void);
uint32_t host_logger_heard(void); /* of these, the receiver was on for the last so many */
uint16_t host_logger_waiting(void);

/* What the board remembers without power: taken out before the core's state is wiped, put back after. */
void host_settings_put(bool valid, uint32_t baud, uint8_t gap_bytes);
bool host_settings_get(uint32_t *baud, uint8_t *gap_bytes);
