/* What is called from Python; plain declarations, which cffi reads too. See rates.c. */

void ot_rates_count(const int64_t *ticks, int64_t count, int64_t window, int64_t span, int64_t *state);
