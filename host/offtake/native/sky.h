/* Satellites of many epochs; plain declarations, which cffi reads too. See sky.c. */

typedef struct {
    int64_t *epoch;
    int8_t *system;
    int64_t *satellite_id;
    double *elevation_deg;
    double *azimuth_deg;
    double *cn0_db_hz;
    int8_t *used;
    int64_t *signal_id;
} ot_sky_columns;

typedef struct {
    int32_t number_at;
    int32_t rank_at;
    int32_t epoch_at;
    int32_t no_signal;
} ot_sky_key;

int64_t ot_sky_merge(const ot_sky_key *key, const ot_sky_columns *told, const int64_t *told_keys, int64_t told_count,
                     const int64_t *listed_keys, int64_t listed_count, const uint8_t *complete,
                     const int8_t *system_of, int64_t epochs, int64_t *scratch, ot_sky_columns *found);
