/* What is called from Python; plain declarations, which cffi reads too. See pieces.c. */

void ot_pieces_join(const uint8_t *data, const int64_t *starts, const int64_t *sizes, int64_t count, uint8_t *joined);
