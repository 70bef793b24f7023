/* Sentences of the text family: plain ones of one kind turned into columns.
 *
 * Only what is plain is judged here: numbers of at most eight digits on each side of the point, single letters. A
 * sentence in which anything else stands is marked as not sound and left to Python, so that odd input has one judge.
 */
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include "text.h"
#include "text_cells.h"

#define CELLS_MAX 160
/* Called for every column: a call costs as much as what is done. */
#define INLINED static inline __attribute__((always_inline))
#define HIGHS UINT64_C(0x8080808080808080)

/* A sentence's columns: column k ends at ends[k], the address at ends[0]. */
typedef struct {
    const uint8_t *ends[CELLS_MAX];
    int given;
} columns;

INLINED ot_cell column_at(const columns *all, int column)
{
    ot_cell found = {all->ends[all->given], all->ends[all->given]};
    if (column >= 1 && column <= all->given) {
        found.begin = all->ends[column - 1] + 1;
        found.end = all->ends[column];
    }
    return found;
}

INLINED int is_empty(ot_cell text)
{
    return text.begin >= text.end;
}

/* Day, month and year in a column each, as yyyymmdd. */
static int read_date_parts(const columns *all, int column, int64_t *value)
{
    static const int least[3] = {1, 1, 4};
    static const int most[3] = {2, 2, 4};
    int64_t parts[3];
    for (int part = 0; part < 3; part++) {
        ot_cell text = column_at(all, column + part);
        int digits = ot_cell_digits(&text.begin, text.end, &parts[part]);
        if (digits < least[part] || digits > most[part] || text.begin != text.end) {
            return 0;
        }
    }
    return ot_cell_day(parts[2], parts[1], parts[0], value);
}

/* Up to three digits; the most common column of all. */
INLINED int read_few(ot_cell text, int64_t *value)
{
    ptrdiff_t length = text.end - text.begin;
    uint8_t last;
    uint8_t second = 0;
    uint8_t first = 0;
    if (length < 1 || length > 3) {
        return 0;
    }
    last = (uint8_t)(text.end[-1] - '0');
    if (length > 1) {
        second = (uint8_t)(text.end[-2] - '0');
    }
    if (length > 2) {
        first = (uint8_t)(text.end[-3] - '0');
    }
    *value = first * 100 + second * 10 + last;
    return first < 10u && second < 10u && last < 10u;
}

INLINED int read_member(const ot_text_field *field, ot_cell text, int64_t *value)
{
    if (field->base == 10 && read_few(text, value)) {
        return *value >= field->least && *value <= field->most;
    }
    return ot_cell_whole(field, text, value);
}

/* Appends the numbers in a row of columns, empty ones left out; none of them where one is not plain. */
static int read_list(ot_text_field *field, const columns *all, int column, int64_t row)
{
    int64_t *values = field->values;
    int64_t before = field->filled;
    for (int number = 0; number < field->count; number++) {
        ot_cell text = column_at(all, column + number);
        if (!is_empty(text) && !read_member(field, text, &values[field->filled++])) {
            field->filled = before;
            return 0;
        }
    }
    field->lengths[row] = field->filled - before;
    return 1;
}

/* Writes the value of one field, of one value, as element `row` of its column; 0 where it is not plain. */
static int read_one(const ot_text_field *field, const columns *all, const uint8_t *data, int column, int64_t row)
{
    ot_cell text = column_at(all, column);
    int64_t *whole = (int64_t *)field->values + row;
    double *real = (double *)field->values + row;
    int empty = is_empty(text);
    field->absent[row] = (uint8_t)empty;
    if (field->kind == OT_CHARACTERS) {
        *whole = text.begin - data;
        field->lengths[row] = text.end - text.begin;
        return 1;
    }
    if (field->kind == OT_DATE_PARTS) {
        empty = empty && is_empty(column_at(all, column + 1)) && is_empty(column_at(all, column + 2));
        field->absent[row] = (uint8_t)empty;
    }
    if (field->kind == OT_LETTER) {
        int16_t code = empty ? 0 : field->codes[ot_cell_single(text)];
        ((int16_t *)field->values)[row] = code;
        return code >= 0;
    }
    *whole = 0;
    if (empty) {
        return 1;
    }
    switch (field->kind) {
    case OT_TIME_OF_DAY:
        return ot_cell_time(text, whole);
    case OT_DATE_DDMMYY:
        return ot_cell_date(field, text, whole);
    case OT_DATE_PARTS:
        return read_date_parts(all, column, whole);
    case OT_LATITUDE:
    case OT_LONGITUDE:
        return ot_cell_angle(field, text, column_at(all, column + 1), real);
    case OT_NUMBER:
    case OT_SIGNED_NUMBER:
        return ot_cell_number(field, text, column_at(all, column + 1), real);
    default:
        return 0;
    }
}

INLINED int read_field(ot_text_field *field, const columns *all, const uint8_t *data, int column, int64_t row)
{
    if (field->kind == OT_INTEGER) {
        ot_cell text = column_at(all, column);
        int64_t *value = (int64_t *)field->values + row;
        field->absent[row] = (uint8_t)is_empty(text);
        *value = 0;
        return is_empty(text) || read_member(field, text, value);
    }
    return field->kind == OT_LIST ? read_list(field, all, column, row) : read_one(field, all, data, column, row);
}

/* The columns of a sentence whose check mark stands at `mark`; 0 where there are more than may be kept. */
INLINED int split(const uint8_t *at, const uint8_t *mark, uint8_t separator, columns *all)
{
    int count = 0;
    all->given = 0;
#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__
    /* Eight characters at a time: a separator leaves a zero, which 0x80 in its byte then stands for. */
    uint64_t wanted = UINT64_C(0x0101010101010101) * separator;
    for (; mark - at >= 8; at += 8) {
        uint64_t other;
        memcpy(&other, at, sizeof other);
        other ^= wanted;
        other = ~(((other & ~HIGHS) + ~HIGHS) | other | ~HIGHS);
        for (; other != 0u; other &= other - 1u) {
            if (count == CELLS_MAX - 1) {
                return 0;
            }
            all->ends[count++] = at + __builtin_ctzll(other) / 8;
        }
    }
#endif
    for (; at < mark; ++at) {
        if (*at == separator) {
            if (count == CELLS_MAX - 1) {
                return 0;
            }
            all->ends[count++] = at;
        }
    }
    all->ends[count] = mark;
    all->given = count;
    return 1;
}

/* Takes back what elements first to last of the lists among fields from number `from` on have. */
static void forget_lists(ot_text_field *fields, int32_t from, int32_t field_count, int64_t first, int64_t last)
{
    for (int32_t i = from; i < field_count; i++) {
        if (fields[i].kind == OT_LIST) {
            for (int64_t element = first; element <= last; element++) {
                fields[i].filled -= fields[i].lengths[element];
                fields[i].lengths[element] = 0;
            }
        }
    }
}

/* The groups of a sentence that are not empty, from element `first` of their columns on; how many, -1 where one of them
 * is not plain. */
static int64_t read_groups(const ot_text_sentence *sentence, ot_text_field *fields, int32_t field_count,
                           const columns *all, const uint8_t *data, int present, int64_t first)
{
    int64_t count = 0;
    for (int number = 0; number < present; number++) {
        int before = sentence->group_at - 1 + number * sentence->group_width;
        if (all->ends[before + sentence->group_width] - all->ends[before] == sentence->group_width) {
            continue;
        }
        for (int32_t i = sentence->fields_alone; i < field_count; i++) {
            if (!read_field(&fields[i], all, data, before + fields[i].at, first + count)) {
                forget_lists(fields, sentence->fields_alone, field_count, first, first + count);
                return -1;
            }
        }
        count++;
    }
    return count;
}

void ot_text_rows(const uint8_t *data, const int64_t *starts, const int64_t *marks, int64_t count,
                  const ot_text_sentence *sentence, ot_text_field *fields, int32_t field_count, uint8_t *sound,
                  int64_t *groups)
{
    columns all;
    int64_t first = 0;
    for (int64_t row = 0; row < count; row++) {
        int missing = 0;
        int present = 0;
        sound[row] = (uint8_t)(split(data + starts[row], data + marks[row], sentence->separator, &all) &&
                               all.given >= sentence->columns_min);
        if (sentence->group_width > 0) {
            int behind = all.given + 1 - sentence->group_at;
            groups[row] = 0;
            present = behind < 0 ? -1 : behind / sentence->group_width;
            missing = (sentence->group_count - present) * sentence->group_width;
            if (present < 0 || present > sentence->group_count ||
                behind % sentence->group_width > sentence->columns_full - sentence->group_end) {
                sound[row] = 0;
            }
        }
        for (int32_t i = 0; i < sentence->fields_alone && sound[row]; i++) {
            int column = fields[i].at - (fields[i].behind_groups ? missing : 0);
            sound[row] = (uint8_t)read_field(&fields[i], &all, data, column, row);
        }
        if (sentence->group_width > 0 && sound[row]) {
            int64_t found = read_groups(sentence, fields, field_count, &all, data, present, first);
            sound[row] = found >= 0;
            groups[row] = found < 0 ? 0 : found;
            first += groups[row];
        }
    }
}

/* The place in `known` of each sentence's name behind its talker, letters as one number, the first one highest:
 * known_count where the address is none of a talker and a known name, known_count + 1 where it is a maker's own. */
void ot_text_names(const uint8_t *data, const int64_t *starts, const int64_t *marks, int64_t count, uint8_t separator,
                   uint8_t proprietary, int32_t talker_letters, int32_t name_letters, const int64_t *known,
                   int64_t known_count, int64_t *found)
{
    int64_t size = (int64_t)talker_letters + name_letters;
    for (int64_t row = 0; row < count; row++) {
        const uint8_t *address = data + starts[row] + 1;
        int64_t body = marks[row] - starts[row] - 1;
        int64_t name = 0;
        int64_t place = 0;
        int fits = body == size || (body > size && address[size] == separator);
        if (*address == proprietary) {
            found[row] = known_count + 1;
            continue;
        }
        for (int32_t i = 0; fits && i < talker_letters; i++) {
            fits = address[i] != separator;
        }
        if (!fits) {
            found[row] = known_count;
            continue;
        }
        for (int64_t i = talker_letters; i < size; i++) {
            name = name << 8 | address[i];
        }
        while (place < known_count && known[place] != name) {
            place++;
        }
        found[row] = place;
    }
}
