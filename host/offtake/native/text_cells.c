/* Numbers, times and dates in one column of a sentence. Each returns 0 where the column is not plain. */
#include <stdint.h>

#include "text.h"
#include "text_cells.h"

#define DIGITS_MAX 8
#define EXACT ((int64_t)1 << 53)

static const int64_t powers[DIGITS_MAX + 1] = {1, 10, 100, 1000, 10000, 100000, 1000000, 10000000, 100000000};

/* A decimal number without sign: whole + fraction / 10^places. */
typedef struct {
    int64_t whole;
    int64_t fraction;
    int digits;
    int places;
} decimal;

/* Its only character, 0 where it has not exactly one. */
uint8_t ot_cell_single(ot_cell text)
{
    return text.end - text.begin == 1 ? *text.begin : 0u;
}

/* The digits from `at` on, which moves behind them: how many, -1 of too many. */
int ot_cell_digits(const uint8_t **at, const uint8_t *end, int64_t *value)
{
    int count = 0;
    *value = 0;
    while (*at < end && (uint8_t)(**at - '0') < 10u) {
        if (++count > DIGITS_MAX) {
            return -1;
        }
        *value = *value * 10 + (**at - '0');
        ++*at;
    }
    return count;
}

static int read_decimal(ot_cell text, decimal *found)
{
    found->fraction = 0;
    found->places = 0;
    found->digits = ot_cell_digits(&text.begin, text.end, &found->whole);
    if (found->digits >= 0 && text.begin < text.end && *text.begin == '.') {
        ++text.begin;
        found->places = ot_cell_digits(&text.begin, text.end, &found->fraction);
    }
    return found->digits >= 0 && found->places >= 0 && found->digits + found->places > 0 && text.begin == text.end;
}

/* Takes a sign off; 1 for a minus. */
static int take_sign(ot_cell *text)
{
    int negative = text->begin < text->end && *text->begin == '-';
    if (negative || (text->begin < text->end && *text->begin == '+')) {
        ++text->begin;
    }
    return negative;
}

static int in_range(const ot_text_field *field, double value)
{
    return value >= field->low && value <= field->high;
}

static int whole_in_range(const ot_text_field *field, int64_t value)
{
    return value >= field->least && value <= field->most;
}

int ot_cell_whole(const ot_text_field *field, ot_cell text, int64_t *value)
{
    int negative;
    int digits;
    if (field->base == 16) {
        *value = 0;
        if (text.end - text.begin > DIGITS_MAX) {
            return 0;
        }
        for (; text.begin < text.end; ++text.begin) {
            uint8_t character = *text.begin;
            uint8_t digit = (uint8_t)(character - '0');
            if (digit >= 10u) {
                digit = (uint8_t)((character | 0x20u) - 'a');
                if (digit >= 6u) {
                    return 0;
                }
                digit = (uint8_t)(digit + 10u);
            }
            *value = *value << 4 | digit;
        }
        return whole_in_range(field, *value);
    }
    negative = take_sign(&text);
    digits = ot_cell_digits(&text.begin, text.end, value);
    *value = negative ? -*value : *value;
    return digits > 0 && text.begin == text.end && whole_in_range(field, *value);
}

int ot_cell_number(const ot_text_field *field, ot_cell text, ot_cell beside, double *value)
{
    decimal found;
    int64_t units;
    int negative = take_sign(&text);
    if (!read_decimal(text, &found)) {
        return 0;
    }
    units = found.whole * powers[found.places] + found.fraction;
    *value = (double)units / (double)powers[found.places];
    if (field->kind == OT_SIGNED_NUMBER) {
        uint8_t side = ot_cell_single(beside);
        if (side != field->positive && side != field->negative) {
            return 0;
        }
        /* Zero keeps its own sign. */
        negative ^= side == field->negative && units != 0;
    } else if (field->unit != 0u && beside.begin < beside.end && ot_cell_single(beside) != field->unit) {
        return 0;
    }
    *value = negative ? -*value : *value;
    return units < EXACT && in_range(field, *value);
}

int ot_cell_angle(const ot_text_field *field, ot_cell text, ot_cell beside, double *value)
{
    int degree_digits = field->kind == OT_LATITUDE ? 2 : 3;
    int64_t degrees_max = field->kind == OT_LATITUDE ? 90 : 180;
    decimal found;
    int64_t minutes;
    int64_t scale;
    int64_t units;
    uint8_t side = ot_cell_single(beside);
    if (!read_decimal(text, &found) || found.digits != degree_digits + 2 ||
        (side != field->positive && side != field->negative)) {
        return 0;
    }
    minutes = found.whole % 100;
    scale = 60 * powers[found.places];
    units = found.whole / 100 * scale + minutes * powers[found.places] + found.fraction;
    *value = (double)units / (double)scale;
    if (side == field->negative && units != 0) {
        *value = -*value;
    }
    return minutes < 60 && units <= degrees_max * scale;
}

int ot_cell_time(ot_cell text, int64_t *value)
{
    decimal found;
    int64_t hour;
    int64_t minute;
    int64_t second;
    if (!read_decimal(text, &found) || found.digits != 6) {
        return 0;
    }
    hour = found.whole / 10000;
    minute = found.whole / 100 % 100;
    second = found.whole % 100;
    *value = ((hour * 60 + minute) * 60 + second) * 1000000;
    /* Digits beyond microseconds are dropped. */
    *value += found.places <= 6 ? found.fraction * powers[6 - found.places] : found.fraction / powers[found.places - 6];
    return hour < 24 && minute < 60 && (second < 60 || (second == 60 && hour == 23 && minute == 59));
}

/* yyyymmdd. */
int ot_cell_day(int64_t year, int64_t month, int64_t day, int64_t *value)
{
    *value = year * 10000 + month * 100 + day;
    return 1;
}

/* ddmmyy as yyyymmdd; years from base on are of the century before. Whether there is such a day is judged later. */
int ot_cell_date(const ot_text_field *field, ot_cell text, int64_t *value)
{
    int64_t number;
    int64_t year;
    const uint8_t *at = text.begin;
    if (text.end - text.begin != 6 || ot_cell_digits(&at, text.end, &number) != 6) {
        return 0;
    }
    year = number % 100;
    return ot_cell_day(year + (year >= field->base ? 1900 : 2000), number / 100 % 100, number / 10000, value);
}
