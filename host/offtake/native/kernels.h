/* What is called from Python; plain declarations, which cffi reads too. See kernels.c. */

int ot_kernels_self_test(void);

void ot_crc32_many(const uint8_t *data, const int64_t *starts, const int64_t *ends, const uint32_t *seeds,
                   uint32_t *found, int64_t count);

void ot_block_seals(const uint8_t *data, uint32_t *found, int64_t blocks);

int64_t ot_frames_count(const uint8_t *data, const int64_t *blocks, const int32_t *used, int64_t count);

int64_t ot_frames_walk(const uint8_t *data, const int64_t *blocks, const int32_t *used, int64_t count,
                       uint32_t journal_id, const uint8_t *checked, int64_t room, int64_t *block, int64_t *at,
                       uint8_t *code, int64_t *tick, int64_t *payload_at, int64_t *payload_size, uint8_t *odd);
