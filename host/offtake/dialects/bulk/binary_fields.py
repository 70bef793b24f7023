"""Fields of binary messages to columns of values, one kernel for each field kind.

As with text, a kernel gives the field's column and where that is certain; the streaming decoder decides the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import ceil, floor
from typing import Any

import numpy as np

from offtake.dialects.bulk.bits import sign_magnitude, signed, unsigned
from offtake.dialects.bulk.buffer import Bools, Bytes, Ints, Words
from offtake.dialects.bulk.calendar import days_of
from offtake.dialects.bulk.columns import Column, Shape, build, nested, plain
from offtake.dialects.bulk.shapes import code_names, field_shape, whole_range
from offtake.dialects.tables import BinaryDialect, BinaryField

Kernel = Callable[[Bytes], tuple[Column, Bools]]
"""From rows of bytes, shape (n, width), to a column and where it is certain."""

_DAY_NS = 86_400_000_000_000
_EXACT = 2**53
_UNLISTED = -1
# Codes of so many bits are looked up in a table.
_TABLE_BITS = 16


Converter = Callable[[Bytes], tuple[dict[str, Column], Bools]]
"""From rows of bytes to the columns of several fields and which rows are certain."""


def compile_fields(fields: Sequence[BinaryField], dialect: BinaryDialect) -> Converter:
    """A converter of all fields but ``groups``."""
    plain_fields = [field for field in fields if field.kind != "groups"]
    kernels = [(field, _KERNELS[field.kind](field, dialect, field_shape(field, dialect))) for field in plain_fields]

    def convert(rows: Bytes) -> tuple[dict[str, Column], Bools]:
        columns: dict[str, Column] = {}
        sound = np.ones(len(rows), np.bool_)
        for field, kernel in kernels:
            column, certain = kernel(rows)
            if field.when:
                asked = _is_true(columns, field.when)
                column = column.without(~asked)
                certain = certain | ~asked
            columns[field.name] = column
            sound &= certain
        return columns, sound

    return convert


def _is_true(columns: Mapping[str, Column], flag: str) -> Bools:
    column = columns[flag]
    truth: Bools = column.values & ~column.absent
    return truth


def _extract(rows: Bytes, field: BinaryField, order: Any) -> Words | Ints:
    """The raw integers, as int64 unless only uint64 holds them."""
    size = field.bits // 8
    if (
        order == "little"
        and size in (1, 2, 4)
        and not field.part_bits
        and field.encoding != "sign_magnitude"
        and len(rows)
    ):
        # As the machine reads them.
        kind = f"<{'i' if field.encoding == 'signed' else 'u'}{size}"
        numbers = np.ndarray((len(rows),), kind, rows.data, field.bit // 8, (rows.shape[1],))
        return numbers.astype(np.int64)
    raw = unsigned(rows, field.bit, field.bits, order)
    if field.part_bits:
        raw = raw >> np.uint64(field.part_low) & np.uint64(2**field.part_bits - 1)
    elif field.encoding == "signed":
        return signed(raw, field.bits)
    elif field.encoding == "sign_magnitude":
        return sign_magnitude(raw, field.bits)
    return raw if (field.part_bits or field.bits) == 64 else raw.view(np.int64)


def _equals_any(raw: Words | Ints, values: Sequence[int]) -> Bools:
    found = np.zeros(raw.size, np.bool_)
    for value in values:
        found |= raw == value
    return found


def _number(field: BinaryField, dialect: BinaryDialect, shape: Shape) -> Kernel:
    order = dialect.framing.byte_order
    low, high = whole_range(field)
    # Whole numbers up to 2^53 are exact in a float64, and a quotient of two of them is correctly rounded. Others are
    # Python's own.
    widest = max(abs(low), abs(high))
    exact = widest <= _EXACT and field.scale_down <= _EXACT
    scaled = field.scale_up != 1 or field.fine_bit >= 0
    slow = scaled and widest >= 2**63 if field.is_whole else not exact
    minimum, maximum = field.minimum, field.maximum
    if field.is_whole:
        minimum = None if minimum is None else ceil(minimum)
        maximum = None if maximum is None else floor(maximum)

    def convert(rows: Bytes) -> tuple[Column, Bools]:
        raw = _extract(rows, field, order)
        absent = _equals_any(raw, field.absent)
        fine = signed(unsigned(rows, field.fine_bit, 8, order), 8) if field.fine_bit >= 0 else None
        number: Any = raw.astype(object) if slow else raw
        if fine is not None:
            number = number * field.fine_ratio + fine
        if field.scale_up != 1:
            number = number * field.scale_up
        if not field.is_whole:
            number = np.array(number / field.scale_down, np.float64)
        sound = np.ones(raw.size, np.bool_)
        if minimum is not None:
            sound &= np.asarray(number >= minimum, np.bool_)
        if maximum is not None:
            sound &= np.asarray(number <= maximum, np.bool_)
        return plain(shape, number, absent), sound | absent

    return convert


def _code(field: BinaryField, dialect: BinaryDialect, shape: Shape) -> Kernel:
    letters = dialect.letter_set(field.letters)
    place = {name: index for index, name in enumerate(code_names(letters))}
    other = _UNLISTED if letters.other is None else place[letters.other]
    places = {int(code): place[name] for code, name in letters.codes}

    bits = field.part_bits or field.bits
    table = np.full(2**bits if bits <= _TABLE_BITS else 0, other, np.int16)
    for value, index in places.items():
        if 0 <= value < table.size:
            table[value] = index

    def convert(rows: Bytes) -> tuple[Column, Bools]:
        raw = _extract(rows, field, dialect.framing.byte_order)
        if table.size and field.encoding == "unsigned":
            codes = table[raw]
        else:
            codes = np.full(raw.size, other, np.int16)
            for value, index in places.items():
                codes[raw == value] = index
        absent = _equals_any(raw, field.absent)
        return plain(shape, codes, absent), (codes != _UNLISTED) | absent

    return convert


def _flag(field: BinaryField, dialect: BinaryDialect, shape: Shape) -> Kernel:
    def convert(rows: Bytes) -> tuple[Column, Bools]:
        raw = _extract(rows, field, dialect.framing.byte_order)
        return plain(shape, raw != 0, np.zeros(raw.size, np.bool_)), np.ones(raw.size, np.bool_)

    return convert


def _mask(field: BinaryField, dialect: BinaryDialect, shape: Shape) -> Kernel:
    """Numbers of the bits that are set, the highest bit being number 1."""
    (item,) = shape.fields

    def convert(rows: Bytes) -> tuple[Column, Bools]:
        raw = unsigned(rows, field.bit, field.bits, dialect.framing.byte_order)
        bits = np.unpackbits(raw.astype(">u8").view(np.uint8).reshape(-1, 8), axis=1)[:, 64 - field.bits :]
        row, number = np.nonzero(bits)
        items = {field.name: plain(item, number + 1, np.zeros(row.size, np.bool_))}
        lengths = np.bincount(row, minlength=raw.size)
        return nested(shape, lengths, np.zeros(raw.size, np.bool_), items), np.ones(raw.size, np.bool_)

    return convert


def _text(field: BinaryField, _dialect: BinaryDialect, shape: Shape) -> Kernel:
    start, end = field.bit // 8, (field.bit + field.bits) // 8

    def convert(rows: Bytes) -> tuple[Column, Bools]:
        values = [row.tobytes().split(b"\0")[0].decode("latin-1") or None for row in rows[:, start:end]]
        return build(shape, values), np.ones(len(rows), np.bool_)

    return convert


def _nanoseconds(rows: Bytes, field: BinaryField, bit: int) -> tuple[Ints, Bools]:
    """Nanoseconds from midnight, which may lie before it or after the next one; and where that is a time of day."""
    hour, minute, second = (unsigned(rows, bit + 8 * part, 8, "little").view(np.int64) for part in range(3))
    leap = (second == 60) & (hour == 23) & (minute == 59)
    sound = (hour < 24) & (minute < 60) & ((second < 60) | leap)
    time = ((hour * 60 + minute) * 60 + second) * 1_000_000_000
    if field.fraction_bit >= 0:
        time = time + signed(unsigned(rows, field.fraction_bit, 32, "little"), 32)
    return time, sound


def _time_of_day(field: BinaryField, _dialect: BinaryDialect, shape: Shape) -> Kernel:
    def convert(rows: Bytes) -> tuple[Column, Bools]:
        time, sound = _nanoseconds(rows, field, field.bit)
        sound &= (time >= -_DAY_NS) & (time < 2 * _DAY_NS)
        micros = np.where(time < 0, time + _DAY_NS, time) // 1000
        return plain(shape, micros, np.zeros(time.size, np.bool_)), sound

    return convert


def _date(field: BinaryField, _dialect: BinaryDialect, shape: Shape) -> Kernel:
    def convert(rows: Bytes) -> tuple[Column, Bools]:
        year = unsigned(rows, field.bit, 16, "little").view(np.int64)
        month, day = (unsigned(rows, field.bit + at, 8, "little").view(np.int64) for at in (16, 24))
        absent = (year == 0) & (month == 0) & (day == 0)
        days, sound = days_of(year, month, day)
        if field.time_bit >= 0:
            time, timed = _nanoseconds(rows, field, field.time_bit)
            days = days - (time < 0).astype("timedelta64[D]")
            sound &= timed
        return plain(shape, days, absent), sound | absent

    return convert


_KERNELS: dict[str, Callable[[BinaryField, BinaryDialect, Shape], Kernel]] = {
    "number": _number,
    "code": _code,
    "flag": _flag,
    "mask": _mask,
    "text": _text,
    "date": _date,
    "time_of_day": _time_of_day,
}
