/* What is called from Python; plain declarations, which cffi reads too. See sentences.c. */

int64_t ot_sentences_find(const uint8_t *data, int64_t size, const uint8_t *kinds, int64_t body_max, int64_t room,
                          int64_t *starts, int64_t *marks);
