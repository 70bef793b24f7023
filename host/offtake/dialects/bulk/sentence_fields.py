"""Columns of text to columns of values, one kernel for each field kind.

A kernel gives the field's column and where that is certain. Elsewhere (a value out of its range, an unusual form) the
streaming decoder's converters decide, so nothing is judged twice in two ways.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Bytes, Ints
from offtake.dialects.bulk.calendar import days_of
from offtake.dialects.bulk.columns import Column, Shape, nested, plain, text
from offtake.dialects.bulk.shapes import code_names, field_shape
from offtake.dialects.bulk.text import POWERS, Rows
from offtake.dialects.fields import TWO_DIGIT_YEAR_SPLIT
from offtake.dialects.tables import Dialect, Field

Kernel = Callable[[Rows], tuple[Column, Bools]]

# By decimal places, from a fraction of a second to microseconds: times the one, then divided by the other.
_MICROS = 10 ** np.maximum(6 - np.arange(9), 0)
_DROPPED = 10 ** np.maximum(np.arange(9) - 6, 0)
UNLISTED = -1


def compile_kernel(field: Field, dialect: Dialect) -> Kernel:
    """The kernel of any field but ``groups``."""
    shape = field_shape(field, dialect)
    kernel = _KERNELS[field.kind](field, dialect, shape)
    return _unless_empty(kernel, field.at, shape) if field.kind in _ONE_TEXT else kernel


def _unless_empty(kernel: Kernel, at: int, shape: Shape) -> Kernel:
    """Many receivers leave some columns empty for good: those cost no more than the look."""

    def convert(rows: Rows) -> tuple[Column, Bools]:
        if rows.has_any(at):
            return kernel(rows)
        empty = np.ones(rows.size, np.bool_)
        return plain(shape, np.zeros(empty.size, shape.dtype), empty), empty

    return convert


def in_range(values: Ints | np.ndarray, minimum: int | float | None, maximum: int | float | None) -> Bools:
    """Where values lie within the bounds given."""
    inside = np.ones(len(values), np.bool_)
    if minimum is not None:
        inside &= values >= minimum
    if maximum is not None:
        inside &= values <= maximum
    return inside


def _number(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    letter = ord(field.unit_letter) if field.unit_letter else 0

    def convert(rows: Rows) -> tuple[Column, Bools]:
        absent = rows.absent(field.at)
        negative, found = rows.numbers(field.at)
        values = found.values()
        values = np.where(negative, -values, values)
        sound = found.sound & in_range(values, field.minimum, field.maximum)
        if letter:
            unit, without = rows.single(field.at + 1)
            sound &= without | (unit == letter)
        return plain(shape, values, absent), sound | absent

    return convert


def _signed_number(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    positive, negative = ord(field.positive), ord(field.negative)

    def convert(rows: Rows) -> tuple[Column, Bools]:
        absent = rows.absent(field.at)
        side, _ = rows.single(field.at + 1)
        minus, found = rows.numbers(field.at)
        values = found.values()
        # Zero keeps its own sign.
        values = np.where(minus ^ (side == negative) & (found.units != 0), -values, values)
        sided = (side == positive) | (side == negative)
        sound = found.sound & sided & in_range(values, field.minimum, field.maximum)
        return plain(shape, values, absent), sound | absent

    return convert


def _angle(degree_digits: int, degrees_max: int, sides: str) -> Callable[[Field, Dialect, Shape], Kernel]:
    positive, negative = sides.encode("ascii")

    def compile_angle(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
        def convert(rows: Rows) -> tuple[Column, Bools]:
            absent = rows.absent(field.at)
            side, _ = rows.single(field.at + 1)
            parts = rows.decimals(field.at)
            power = POWERS[parts.places]
            degrees = parts.whole // 100
            minutes = parts.whole - 100 * degrees
            scale = 60 * power
            units = degrees * scale + minutes * power + parts.fraction
            sound = parts.sound & (parts.digits == degree_digits + 2)
            sound &= (minutes < 60) & (units <= degrees_max * scale)
            sound &= (side == positive) | (side == negative)
            values = units / scale
            values = np.where((side == negative) & (units != 0), -values, values)
            return plain(shape, values, absent), sound | absent

        return convert

    return compile_angle


def _time_of_day(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    def convert(rows: Rows) -> tuple[Column, Bools]:
        absent = rows.absent(field.at)
        parts = rows.decimals(field.at)
        # A floor division by one number is a multiplication in NumPy; divmod is not.
        minutes, hour = parts.whole // 100, parts.whole // 10_000
        second, minute = parts.whole - 100 * minutes, minutes - 100 * hour
        leap = (second == 60) & (minutes == 2359)
        # Digits beyond microseconds are dropped, as the streaming decoder does.
        micros = parts.fraction * _MICROS[parts.places] // _DROPPED[parts.places]
        micros += ((hour * 60 + minute) * 60 + second) * 1_000_000
        sound = parts.sound & (parts.digits == 6) & (hour < 24) & (minute < 60) & ((second < 60) | leap)
        return plain(shape, micros, absent), sound | absent

    return convert


def _date_ddmmyy(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    def convert(rows: Rows) -> tuple[Column, Bools]:
        absent = rows.absent(field.at)
        number, sound = rows.digits(field.at)
        short = number % 100
        year = short + np.where(short >= TWO_DIGIT_YEAR_SPLIT, 1900, 2000)
        days, valid = days_of(year, number // 100 % 100, number // 10_000)
        return plain(shape, days, absent), sound & (rows.length(field.at) == 6) & valid | absent

    return convert


def _date_parts(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    def convert(rows: Rows) -> tuple[Column, Bools]:
        columns = range(field.at, field.at + 3)
        (day, day_sound), (month, month_sound), (year, year_sound) = (rows.digits(one) for one in columns)
        lengths = [rows.length(one) for one in columns]
        absent = np.logical_and.reduce([rows.absent(one) for one in columns])
        days, valid = days_of(year, month, day)
        sound = day_sound & month_sound & year_sound & valid
        for length in lengths[:2]:
            sound &= (length == 1) | (length == 2)
        sound &= lengths[2] == 4
        return plain(shape, days, absent), sound | absent

    return convert


def _integer(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    def convert(rows: Rows) -> tuple[Column, Bools]:
        number, sound = rows.whole(field.at, field.base)
        absent = rows.absent(field.at)
        return plain(shape, number, absent), sound & in_range(number, field.minimum, field.maximum) | absent

    return convert


def _list(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    (item,) = shape.fields

    def convert(rows: Rows) -> tuple[Column, Bools]:
        number, absent, sound = rows.wholes(field.at, field.count, field.base)
        sound = sound & in_range(number.ravel(), field.minimum, field.maximum).reshape(sound.shape)
        kept = ~absent
        values = number[kept]
        items = {field.name: plain(item, values, np.zeros(values.size, np.bool_))}
        column = nested(shape, kept.sum(axis=1), np.zeros(rows.size, np.bool_), items)
        return column, np.logical_and.reduce(sound | absent, axis=1)

    return convert


def _text(field: Field, _dialect: Dialect, shape: Shape) -> Kernel:
    def convert(rows: Rows) -> tuple[Column, Bools]:
        lengths, characters = rows.characters(field.at)
        return text(shape, lengths, characters, lengths == 0), np.ones(lengths.size, np.bool_)

    return convert


def _letter(field: Field, dialect: Dialect, shape: Shape) -> Kernel:
    table = letter_codes(field, dialect)

    def convert(rows: Rows) -> tuple[Column, Bools]:
        letter, absent = rows.single(field.at)
        code = np.where(letter > 0, table[letter], UNLISTED)
        return plain(shape, code, absent), (code != UNLISTED) | absent

    return convert


def _letters(field: Field, dialect: Dialect, shape: Shape) -> Kernel:
    table = letter_codes(field, dialect)

    def convert(rows: Rows) -> tuple[Column, Bools]:
        return coded_text(shape, table, *rows.characters(field.at))

    return convert


def coded_text(shape: Shape, table: NDArray[Any], lengths: Ints, characters: Bytes) -> tuple[Column, Bools]:
    """The column of rows of ``lengths`` letters each, and which rows have none that is not in ``table``."""
    (item,) = shape.fields
    code = table[characters]
    items = {shape.name: plain(item, code, np.zeros(code.size, np.bool_))}
    wrong = np.zeros(code.size + 1, np.int64)
    np.cumsum(code == UNLISTED, out=wrong[1:])
    ends = np.cumsum(lengths)
    sound: Bools = wrong[ends] == wrong[ends - lengths]
    return nested(shape, lengths, lengths == 0, items), sound


def letter_codes(field: Field, dialect: Dialect) -> Ints:
    """From a character to its place in the names, shape (256,)."""
    letters = dialect.letter_set(field.letters)
    place = {name: index for index, name in enumerate(code_names(letters))}
    table = np.full(256, UNLISTED if letters.other is None else place[letters.other], np.int64)
    for letter, name in letters.codes:
        table[ord(letter)] = place[name]
    return table


# Kinds that are absent exactly when their first column is empty.
_ONE_TEXT = ("time_of_day", "date_ddmmyy", "latitude", "longitude", "number", "signed_number", "integer", "letter")
_KERNELS: dict[str, Callable[[Field, Dialect, Shape], Kernel]] = {
    "time_of_day": _time_of_day,
    "date_ddmmyy": _date_ddmmyy,
    "date_parts": _date_parts,
    "latitude": _angle(2, 90, "NS"),
    "longitude": _angle(3, 180, "EW"),
    "number": _number,
    "signed_number": _signed_number,
    "integer": _integer,
    "letter": _letter,
    "letters": _letters,
    "text": _text,
    "list": _list,
}
