/* What stands in one column of a sentence; plain declarations, which cffi reads too. See text_cells.c. */

/* A column's text, from begin up to end. */
typedef struct {
    const uint8_t *begin;
    const uint8_t *end;
} ot_cell;

uint8_t ot_cell_single(ot_cell text);

int ot_cell_digits(const uint8_t **at, const uint8_t *end, int64_t *value);

int ot_cell_whole(const ot_text_field *field, ot_cell text, int64_t *value);

int ot_cell_number(const ot_text_field *field, ot_cell text, ot_cell beside, double *value);

int ot_cell_angle(const ot_text_field *field, ot_cell text, ot_cell beside, double *value);

int ot_cell_time(ot_cell text, int64_t *value);

int ot_cell_day(int64_t year, int64_t month, int64_t day, int64_t *value);

int ot_cell_date(const ot_text_field *field, ot_cell text, int64_t *value);
