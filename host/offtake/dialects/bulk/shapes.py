"""The shapes of a dialect's fields as columns."""

from __future__ import annotations

from typing import Any

import numpy as np

from offtake.dialects.bulk.columns import ColumnType, Shape
from offtake.dialects.tables import AnyDialect, BinaryField, Field, LetterSet

_DTYPES: dict[ColumnType, Any] = {
    "number": np.float64,
    "integer": np.int64,
    "boolean": np.bool_,
    "date": "datetime64[D]",
    "code": np.int16,
    "text": np.uint8,
    "list": np.uint8,
    "groups": np.uint8,
}
_SENTENCE_TYPES: dict[str, ColumnType] = {
    "time_of_day": "integer",
    "date_ddmmyy": "date",
    "date_parts": "date",
    "latitude": "number",
    "longitude": "number",
    "number": "number",
    "signed_number": "number",
    "integer": "integer",
    "letter": "code",
    "letters": "list",
    "text": "text",
    "list": "list",
    "groups": "groups",
}
_BINARY_TYPES: dict[str, ColumnType] = {
    "code": "code",
    "flag": "boolean",
    "mask": "list",
    "text": "text",
    "date": "date",
    "time_of_day": "integer",
    "groups": "groups",
}


def field_shape(field: Field | BinaryField, dialect: AnyDialect) -> Shape:
    """The column's shape of one field."""
    if isinstance(field, BinaryField):
        number: ColumnType = "integer" if field.is_whole else "number"
        kind = _BINARY_TYPES.get(field.kind, number)
    else:
        kind = _SENTENCE_TYPES[field.kind]
    names = code_names(dialect.letter_set(field.letters)) if field.letters else ()
    fields = tuple(field_shape(one, dialect) for one in field.fields)
    if kind == "list":
        item: ColumnType = "code" if names else "integer"
        fields = (Shape(field.name, item, np.dtype(_DTYPES[item]), field.unit, "", names),)
        names = ()
    dtype = np.dtype(_DTYPES[kind])
    if isinstance(field, BinaryField) and kind == "integer" and field.kind == "number":
        dtype = integer_dtype(*whole_range(field))
    return Shape(field.name, kind, dtype, field.unit, field.doc, names, fields)


def code_names(letters: LetterSet) -> tuple[str, ...]:
    """The names of a set of codes, each once, that of unlisted ones included."""
    names = [name for _, name in letters.codes]
    return tuple(dict.fromkeys(names + ([letters.other] if letters.other is not None else [])))


def whole_range(field: BinaryField) -> tuple[int, int]:
    """The least and the greatest whole number that a ``number`` may be before the division by its scale."""
    bits = field.part_bits or field.bits
    low, high = 0, 2**bits - 1
    if field.encoding != "unsigned" and not field.part_bits:
        high = 2 ** (bits - 1) - 1
        low = -high - (field.encoding == "signed")
    if field.fine_bit >= 0:
        low, high = low * field.fine_ratio - 2**7, high * field.fine_ratio + 2**7 - 1
    return low * field.scale_up, high * field.scale_up


def integer_dtype(low: int, high: int) -> np.dtype[Any]:
    """The type that holds whole numbers from ``low`` to ``high``; Python's own where 64 bits do not suffice."""
    for kind in (np.int64, np.uint64):
        if np.iinfo(kind).min <= low and high <= np.iinfo(kind).max:
            return np.dtype(kind)
    return np.dtype(object)
