/* What messages tell of satellites, brought into the order of each epoch's sky and held against lists of those used.
 *
 * A key holds, from its highest bits down, epoch, system (its rank in a sky), number and signal. Only plain skies are
 * made here: where a satellite is told of twice, or where there are very many, all of them are left to Python.
 */
#include <math.h>
#include <stdint.h>

#include "sky.h"

#define KEPT_MAX 1024

typedef struct {
    int64_t key;
    int64_t at;
} entry;

/* Where the entries of each epoch begin among those sorted by it, in `first` (epochs + 1 of them, the last one how many
 * there are); `by_epoch` has their places. */
static void sort_by_epoch(const int64_t *keys, int64_t count, int32_t epoch_at, int64_t epochs, int64_t *first,
                          int64_t *by_epoch)
{
    for (int64_t epoch = 0; epoch <= epochs; epoch++) {
        first[epoch] = 0;
    }
    for (int64_t i = 0; i < count; i++) {
        first[(keys[i] >> epoch_at) + 1]++;
    }
    for (int64_t epoch = 0; epoch < epochs; epoch++) {
        first[epoch + 1] += first[epoch];
    }
    for (int64_t i = 0; i < count; i++) {
        by_epoch[first[keys[i] >> epoch_at]++] = i;
    }
    for (int64_t epoch = epochs; epoch > 0; epoch--) {
        first[epoch] = first[epoch - 1];
    }
    first[0] = 0;
}

/* The entries at `places` in the order of their keys. Receivers list them almost so. */
static void sort_entries(const int64_t *keys, const int64_t *places, int64_t count, entry *sorted)
{
    for (int64_t i = 0; i < count; i++) {
        entry one = {keys[places[i]], places[i]};
        int64_t at = i;
        for (; at > 0 && sorted[at - 1].key > one.key; at--) {
            sorted[at] = sorted[at - 1];
        }
        sorted[at] = one;
    }
}

static void put_key(const ot_sky_key *key, const int8_t *system_of, ot_sky_columns *found, int64_t row, int64_t value)
{
    int64_t slots = ((int64_t)1 << key->number_at) - 1;
    int64_t numbers = ((int64_t)1 << (key->rank_at - key->number_at)) - 1;
    int64_t ranks = ((int64_t)1 << (key->epoch_at - key->rank_at)) - 1;
    found->epoch[row] = value >> key->epoch_at;
    found->system[row] = system_of[value >> key->rank_at & ranks];
    found->satellite_id[row] = value >> key->number_at & numbers;
    found->signal_id[row] = (value & slots) - key->no_signal - 1;
}

/* One epoch's sky, from element `row` on; where it ends, -1 where a satellite is told of twice. */
static int64_t merge_epoch(const ot_sky_key *key, const ot_sky_columns *told, const entry *seen, int64_t seen_count,
                           const entry *listed, int64_t listed_count, const uint8_t *complete,
                           const int8_t *system_of, ot_sky_columns *found, int64_t row)
{
    int64_t i = 0;
    int64_t k = 0;
    int64_t last = -1;
    while (i < seen_count || k < listed_count) {
        int64_t mine = i < seen_count ? seen[i].key >> key->number_at : INT64_MAX;
        int64_t theirs = k < listed_count ? listed[k].key >> key->number_at : INT64_MAX;
        if (mine <= theirs) {
            int64_t at = seen[i].at;
            int8_t used = told->used[at];
            if (i > 0 && seen[i - 1].key == seen[i].key) {
                return -1;
            }
            put_key(key, system_of, found, row, seen[i].key);
            found->elevation_deg[row] = told->elevation_deg[at];
            found->azimuth_deg[row] = told->azimuth_deg[at];
            found->cn0_db_hz[row] = told->cn0_db_hz[at];
            found->used[row++] = used < 0 && complete[seen[i].key >> key->rank_at] ? mine == theirs : used;
            last = mine;
            i++;
        } else {
            /* In a list and not in view. */
            if (theirs != last && complete[listed[k].key >> key->rank_at]) {
                put_key(key, system_of, found, row, listed[k].key | key->no_signal);
                found->elevation_deg[row] = found->azimuth_deg[row] = found->cn0_db_hz[row] = NAN;
                found->used[row++] = 1;
            }
            last = theirs;
            k++;
        }
    }
    return row;
}

/* The satellites of all epochs; how many, -1 where they are not plain. `complete` says of each system of each epoch
 * whether a list of its satellites used came. `scratch` has room for 2 * (epochs + 1) and all keys. */
int64_t ot_sky_merge(const ot_sky_key *key, const ot_sky_columns *told, const int64_t *told_keys, int64_t told_count,
                     const int64_t *listed_keys, int64_t listed_count, const uint8_t *complete,
                     const int8_t *system_of, int64_t epochs, int64_t *scratch, ot_sky_columns *found)
{
    entry seen[KEPT_MAX];
    entry listed[KEPT_MAX];
    int64_t *seen_first = scratch;
    int64_t *listed_first = seen_first + epochs + 1;
    int64_t *seen_at = listed_first + epochs + 1;
    int64_t *listed_at = seen_at + told_count;
    int64_t row = 0;
    sort_by_epoch(told_keys, told_count, key->epoch_at, epochs, seen_first, seen_at);
    sort_by_epoch(listed_keys, listed_count, key->epoch_at, epochs, listed_first, listed_at);
    for (int64_t epoch = 0; epoch < epochs && row >= 0; epoch++) {
        int64_t in_view = seen_first[epoch + 1] - seen_first[epoch];
        int64_t in_lists = listed_first[epoch + 1] - listed_first[epoch];
        if (in_view > KEPT_MAX || in_lists > KEPT_MAX) {
            return -1;
        }
        if (in_view > 0) {
            sort_entries(told_keys, seen_at + seen_first[epoch], in_view, seen);
            sort_entries(listed_keys, listed_at + listed_first[epoch], in_lists, listed);
            row = merge_epoch(key, told, seen, in_view, listed, in_lists, complete, system_of, found, row);
        }
    }
    return row;
}
