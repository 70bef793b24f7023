"""Columns of text to values: one converter for each field kind.

Each converter takes the full, padded list of columns and returns the value, ``None`` where the columns are
empty, or raises :class:`FieldError` with a reason. No value is ever guessed: an empty column is absent.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from typing import cast

from offtake.dialects.message import FieldValue
from offtake.dialects.tables import Dialect, Field

Converter = Callable[[list[str]], FieldValue]

# Year limits keep dates far from the ends of datetime's range. Satellite time starts in 1980.
YEAR_MIN = 1980
YEAR_MAX = 2199
# Two-digit years from here on belong to the 1900s.
TWO_DIGIT_YEAR_SPLIT = 80

_TIME = re.compile(r"([0-9]{2})([0-9]{2})([0-9]{2})(?:\.([0-9]*))?")
# A log is untrusted input: whole numbers fit 64 bits, and nobody sends a hundred digits.
_NUMBER = re.compile(r"[+-]?(?:[0-9]{1,100}(?:\.[0-9]{0,100})?|\.[0-9]{1,100})")
_INTEGERS = {10: re.compile(r"[+-]?[0-9]{1,18}"), 16: re.compile(r"[0-9A-Fa-f]{1,15}")}
_ANGLES = {
    "latitude": (re.compile(r"([0-9]{2})([0-9]{2})(?:\.([0-9]{0,100}))?"), 90, "N", "S", "ddmm.mmm"),
    "longitude": (re.compile(r"([0-9]{3})([0-9]{2})(?:\.([0-9]{0,100}))?"), 180, "E", "W", "dddmm.mmm"),
}


class FieldError(ValueError):
    """A column breaks its format or range; the text is the reason. It never leaves the decoder."""


def compile_field(field: Field, dialect: Dialect) -> Converter:
    """Return the converter of ``field``; raises :class:`KeyError` for a letter set the dialect lacks."""
    if field.kind in ("letter", "letters"):
        return _letters_converter(field, dialect)
    if field.kind == "groups":
        return _groups_converter(field, dialect)
    return _PLAIN[field.kind](field)


def _time_of_day(field: Field) -> Converter:
    def convert(columns: list[str]) -> int | None:
        text = columns[field.at]
        if not text:
            return None
        match = _TIME.fullmatch(text)
        if match is None:
            raise FieldError(f"{field.name}: {text!r} is not hhmmss.ss")
        hour, minute, second = int(match[1]), int(match[2]), int(match[3])
        leap = second == 60 and hour == 23 and minute == 59
        if hour > 23 or minute > 59 or (second > 59 and not leap):
            raise FieldError(f"{field.name}: {text!r} is not a time of day")
        micros = int((match[4] or "")[:6].ljust(6, "0"))
        return ((hour * 60 + minute) * 60 + second) * 1_000_000 + micros

    return convert


def _make_date(field: Field, year: int, month: int, day: int) -> dt.date:
    if not YEAR_MIN <= year <= YEAR_MAX:
        raise FieldError(f"{field.name}: year {year} is outside {YEAR_MIN} to {YEAR_MAX}")
    try:
        return dt.date(year, month, day)
    except ValueError:
        raise FieldError(f"{field.name}: day {day}, month {month}, year {year} is no date") from None


def _date_ddmmyy(field: Field) -> Converter:
    def convert(columns: list[str]) -> dt.date | None:
        text = columns[field.at]
        if not text:
            return None
        if len(text) != 6 or not text.isdigit():
            raise FieldError(f"{field.name}: {text!r} is not ddmmyy")
        short = int(text[4:])
        year = short + (1900 if short >= TWO_DIGIT_YEAR_SPLIT else 2000)
        return _make_date(field, year, int(text[2:4]), int(text[:2]))

    return convert


def _date_parts(field: Field) -> Converter:
    def convert(columns: list[str]) -> dt.date | None:
        parts = columns[field.at : field.at + 3]
        if not any(parts):
            return None
        day, month, year = parts
        whole = day.isdigit() and month.isdigit() and year.isdigit()
        if not whole or len(day) > 2 or len(month) > 2 or len(year) != 4:
            raise FieldError(f"{field.name}: {','.join(parts)!r} is not day, month, four-digit year")
        return _make_date(field, int(year), int(month), int(day))

    return convert


def _angle(field: Field) -> Converter:
    pattern, degrees_max, positive, negative, form = _ANGLES[field.kind]

    def convert(columns: list[str]) -> float | None:
        text, side = columns[field.at], columns[field.at + 1]
        if not text:
            return None
        match = pattern.fullmatch(text)
        if match is None:
            raise FieldError(f"{field.name}: {text!r} is not {form}")
        if side not in (positive, negative):
            raise FieldError(f"{field.name}: hemisphere {side!r} is neither {positive} nor {negative}")
        if int(match[2]) > 59:
            raise FieldError(f"{field.name}: {text!r} has 60 minutes or more")
        decimals = match[3] or ""
        scale = 60 * 10 ** len(decimals)
        # One division of whole numbers: Python rounds it correctly, however many digits the minutes have.
        units = int(match[1]) * scale + int(match[2] + decimals)
        if units > degrees_max * scale:
            raise FieldError(f"{field.name}: {text!r} is more than {degrees_max} degrees")
        degrees: float = units / scale
        return -degrees if side == negative and units else degrees

    return convert


def _check_range(field: Field, value: float, text: str) -> None:
    if field.minimum is not None and value < field.minimum:
        raise FieldError(f"{field.name}: {text} is below {field.minimum}")
    if field.maximum is not None and value > field.maximum:
        raise FieldError(f"{field.name}: {text} is above {field.maximum}")


def _parse_number(field: Field, text: str) -> float:
    if _NUMBER.fullmatch(text) is None:
        raise FieldError(f"{field.name}: {text!r} is not a decimal number")
    return float(text)


def _number(field: Field) -> Converter:
    def convert(columns: list[str]) -> float | None:
        text = columns[field.at]
        if not text:
            return None
        if field.unit_letter and columns[field.at + 1] not in ("", field.unit_letter):
            raise FieldError(f"{field.name}: unit {columns[field.at + 1]!r} is not {field.unit_letter}")
        value = _parse_number(field, text)
        _check_range(field, value, text)
        return value

    return convert


def _signed_number(field: Field) -> Converter:
    def convert(columns: list[str]) -> float | None:
        text, side = columns[field.at], columns[field.at + 1]
        if not text:
            return None
        if side not in (field.positive, field.negative):
            raise FieldError(f"{field.name}: {side!r} is neither {field.positive} nor {field.negative}")
        value = _parse_number(field, text)
        if side == field.negative and value:
            value = -value
        _check_range(field, value, text)
        return value

    return convert


def _integer_parser(field: Field) -> Callable[[str], int]:
    match, base = _INTEGERS[field.base].fullmatch, field.base

    def parse(text: str) -> int:
        if match(text) is None:
            raise FieldError(f"{field.name}: {text!r} is not a whole number in base {base}")
        value = int(text, base)
        _check_range(field, value, text)
        return value

    return parse


def _integer(field: Field) -> Converter:
    parse, at = _integer_parser(field), field.at

    def convert(columns: list[str]) -> int | None:
        text = columns[at]
        return parse(text) if text else None

    return convert


def _list(field: Field) -> Converter:
    parse, at, end = _integer_parser(field), field.at, field.at + field.count

    def convert(columns: list[str]) -> tuple[int, ...]:
        return tuple([parse(text) for text in columns[at:end] if text])

    return convert


def _text(field: Field) -> Converter:
    def convert(columns: list[str]) -> str | None:
        return columns[field.at] or None

    return convert


def _letters_converter(field: Field, dialect: Dialect) -> Converter:
    letters = dialect.letter_set(field.letters)
    codes = dict(letters.codes)

    def name(code: str) -> str:
        found = codes.get(code, letters.other)
        if found is None:
            raise FieldError(f"{field.name}: {code!r} is none of {', '.join(codes)}")
        return found

    def convert_one(columns: list[str]) -> str | None:
        return name(columns[field.at]) if columns[field.at] else None

    def convert_each(columns: list[str]) -> tuple[str, ...] | None:
        return tuple(name(code) for code in columns[field.at]) if columns[field.at] else None

    return convert_one if field.kind == "letter" else convert_each


def _groups_converter(field: Field, dialect: Dialect) -> Converter:
    width, places = field.group_columns, range(field.at, field.end + 1, field.group_columns)
    inner = [(one.name, compile_field(one, dialect)) for one in field.fields]

    def convert(columns: list[str]) -> tuple[Mapping[str, FieldValue], ...]:
        groups = []
        for start in places:
            part = columns[start : start + width]
            if any(part):
                numbered = ["", *part]
                groups.append({name: convert_inner(numbered) for name, convert_inner in inner})
        return cast(tuple[Mapping[str, FieldValue], ...], tuple(groups))

    return convert


_PLAIN: dict[str, Callable[[Field], Converter]] = {
    "time_of_day": _time_of_day,
    "date_ddmmyy": _date_ddmmyy,
    "date_parts": _date_parts,
    "latitude": _angle,
    "longitude": _angle,
    "number": _number,
    "signed_number": _signed_number,
    "integer": _integer,
    "text": _text,
    "list": _list,
}
