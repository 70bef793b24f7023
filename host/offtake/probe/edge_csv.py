"""Edge recordings as CSV: a column of times and one or more of levels.

A first line with names is optional: without one the columns are time in seconds and level. A time column's name may
end in ``_s``, ``_ms``, ``_us`` or ``_ns``, or have the unit in brackets; ``time`` alone is in seconds, and a name that
tells no unit is refused, since a wrong guess would be a wrong speed. Lines may be edges, each with the new level, or
samples: a level that repeats is no edge. Comma, semicolon or tab parts the columns, and with the latter two times may
have a decimal comma; lines that begin with ``#`` are skipped.
"""

from __future__ import annotations

import csv
import math
import re
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

import numpy as np

from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.probe.edges import EdgeCapture

EDGES_MOST = 20_000_000
_LINE_MOST = 4_096
_TIME_MOST = 1e21
"""In the file's unit: far more than any clock shows, and still a sensible number."""
# Micro has two code points, the sign and the Greek letter.
_UNITS_S = {
    "s": 1.0, "sec": 1.0, "seconds": 1.0, "ms": 1e-3, "milliseconds": 1e-3, "us": 1e-6, "\u00b5s": 1e-6,
    "\u03bcs": 1e-6, "microseconds": 1e-6, "ns": 1e-9, "nanoseconds": 1e-9,
}  # fmt: skip
_IN_SECONDS = ("t", "time", "times", "timestamp")
_WORD = re.compile(r"[^\W\d_]+")


def read_edge_csv(path: Path, signal: str | None = None) -> EdgeCapture:
    """Read the column of levels called ``signal``, or the only one.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: a line is not as it should be; ``where`` has its number.
    :raises UsageError: no such column, or several and no ``signal``.
    """
    try:
        with path.open(encoding="utf-8-sig", errors="replace", newline="") as file:
            return _read(file, path, signal)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error


def _read(file: TextIO, path: Path, signal: str | None) -> EdgeCapture:
    rows = _rows(file, path)
    number, first = next(rows, (0, []))
    if not first:
        raise DamageError("nothing in it", where=str(path), expected="lines of time and level")
    column, unit_s = 1, 1.0
    pending = [(number, first)]
    if not _is_number(first[0]):
        column, unit_s = _of_names(first, path, signal)
        pending = []
    elif signal is not None or len(first) != 2:
        what = "no names in the first line" if signal is not None else f"{len(first)} columns without names"
        raise UsageError(what, where=f"{path}: line {number}", expected="a first line such as time_us,rx")
    return _edges(_chain(pending, rows), column, unit_s, path)


def _edges(rows: Iterator[tuple[int, list[str]]], column: int, unit_s: float, path: Path) -> EdgeCapture:
    times = array("d")
    began = last = math.nan
    before = level = False
    seen = False
    for number, row in rows:
        where = f"{path}: line {number}"
        if len(row) <= column:
            raise DamageError(f"{len(row)} columns", where=where, expected=f"at least {column + 1}")
        time_s = _time(row[0], where) * unit_s
        now = _level(row[column], where)
        if not seen:
            began, before, level, seen = time_s, now, now, True
        elif not time_s > last:
            what = f"time {row[0].strip()[:40]} is not after the line before"
            raise DamageError(what, where=where, expected="rising times")
        elif now != level:
            if len(times) >= EDGES_MOST:
                raise DamageError("too many edges", where=where, expected=f"at most {EDGES_MOST:,}; cut the recording")
            times.append(time_s)
            level = now
        last = time_s
    if not seen:
        raise DamageError("no lines of time and level", where=str(path), expected="at least one")
    return EdgeCapture(np.frombuffer(times, dtype=np.float64).copy(), before, began, last, path.name)


def _of_names(names: list[str], path: Path, signal: str | None) -> tuple[int, float]:
    words = _WORD.findall(names[0].lower())
    unit_s = _UNITS_S.get(words[-1] if words else "", 1.0 if words and words[-1] in _IN_SECONDS else None)
    if unit_s is None:
        what = f"the first column's name {names[0].strip()[:40]!r} tells no unit of time"
        raise UsageError(what, where=str(path), expected="time_s, time_ms, time_us or time_ns")
    channels = [name.strip() for name in names[1:]]
    listed = ", ".join(channels)
    if signal is None and len(channels) != 1:
        what = f"{len(channels)} columns of levels"
        raise UsageError(what, where=str(path), expected=f"--signal with one of: {listed}")
    if signal is not None and signal not in channels:
        raise UsageError(f"no column {signal!r}", where=str(path), expected=f"one of: {listed}")
    return (1 if signal is None else 1 + channels.index(signal)), unit_s


def _rows(file: TextIO, path: Path) -> Iterator[tuple[int, list[str]]]:
    delimiter = ""
    for number, line in _lines(file, path):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        if not delimiter:
            delimiter = next((mark for mark in ";\t," if mark in text), ",")
        yield number, next(csv.reader([text], delimiter=delimiter))


def _lines(file: TextIO, path: Path) -> Iterator[tuple[int, str]]:
    number = 0
    while line := file.readline(_LINE_MOST + 1):
        number += 1
        if len(line) > _LINE_MOST:
            raise DamageError(f"a line of over {_LINE_MOST} characters", where=f"{path}: line {number}", expected="CSV")
        yield number, line


def _chain(
    first: list[tuple[int, list[str]]], rest: Iterator[tuple[int, list[str]]]
) -> Iterator[tuple[int, list[str]]]:
    yield from first
    yield from rest


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _time(text: str, where: str) -> float:
    try:
        # A comma within a column is a decimal one.
        time = float(text.replace(",", ".") if "," in text else text)
    except ValueError:
        time = math.nan
    if not abs(time) <= _TIME_MOST:
        raise DamageError(f"{text.strip()[:40]!r} is no time", where=where, expected="a number")
    return time


def _level(text: str, where: str) -> bool:
    found = {"0": False, "1": True, "0.0": False, "1.0": True}.get(text.strip())
    if found is None:
        raise DamageError(f"{text.strip()[:40]!r} is no level", where=where, expected="0 or 1")
    return found
