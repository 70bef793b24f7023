/* Sentences to columns; plain declarations, which cffi reads too. See text.c. */

/* What a field's column holds. CHARACTERS: any, whose place and number alone are told. */
enum ot_text_kind {
    OT_TIME_OF_DAY,
    OT_DATE_DDMMYY,
    OT_DATE_PARTS,
    OT_LATITUDE,
    OT_LONGITUDE,
    OT_NUMBER,
    OT_SIGNED_NUMBER,
    OT_INTEGER,
    OT_LETTER,
    OT_LIST,
    OT_CHARACTERS
};

/* One field: of which kind and in which column (of a group: of its columns), how numbers are read and within which
 * bounds, and the columns that its values are written to. `filled` counts the values of a list. */
typedef struct {
    int32_t kind;
    int32_t at;
    int32_t count;
    int32_t base;
    int32_t behind_groups;
    double low;
    double high;
    int64_t least;
    int64_t most;
    uint8_t unit;
    uint8_t positive;
    uint8_t negative;
    const int16_t *codes;
    void *values;
    int64_t *lengths;
    int64_t filled;
    uint8_t *absent;
} ot_text_field;

/* The form of one kind of sentence; fields from number fields_alone on are those of its groups. */
typedef struct {
    uint8_t separator;
    int32_t columns_min;
    int32_t columns_full;
    int32_t group_at;
    int32_t group_width;
    int32_t group_count;
    int32_t group_end;
    int32_t fields_alone;
} ot_text_sentence;

void ot_text_rows(const uint8_t *data, const int64_t *starts, const int64_t *marks, int64_t count,
                  const ot_text_sentence *sentence, ot_text_field *fields, int32_t field_count, uint8_t *sound,
                  int64_t *groups);

void ot_text_names(const uint8_t *data, const int64_t *starts, const int64_t *marks, int64_t count, uint8_t separator,
                   uint8_t proprietary, int32_t talker_letters, int32_t name_letters, const int64_t *known,
                   int64_t known_count, int64_t *found);
