"""Columns of decoded values: typed arrays with a mask of what is absent, and nested ones for lists and groups."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Bytes, Ints
from offtake.dialects.message import FieldValue

ColumnType = Literal["number", "integer", "boolean", "date", "code", "text", "list", "groups"]

UNSOUND = object()
"""Stands for a value that breaks its format or range, where values are listed one by one."""


@dataclass(frozen=True)
class Shape:
    """What a field becomes as a column.

    ``dtype`` is that of the values: float64, bool, datetime64[D], int16 of a code (int32 of a talker); an integer's is
    int64, uint64, or object where a dialect scales beyond 64 bits. ``names`` are those of a code's values. ``fields``
    are a group's fields, or a list's one kind of item.
    """

    name: str
    type: ColumnType
    dtype: np.dtype[Any]
    unit: str = ""
    doc: str = ""
    names: tuple[str, ...] = ()
    fields: tuple[Shape, ...] = ()


@dataclass(frozen=True)
class Column:
    """One field of many messages; row i is the i-th message's.

    ``absent`` (bool, shape (n,)) marks rows without a value, whatever the other arrays hold there. ``unsound`` lists
    rows whose value broke its format or range: they are absent too, and their message is invalid. ``values`` has shape
    (n,): numbers, or codes that count in ``shape.names``. Of a ``text`` column they are UTF-8 bytes, and row i has
    those from ``offsets[i]`` to ``offsets[i + 1]``; of ``list`` and ``groups`` so many rows of ``items``, which are
    columns by name (a list's only one has the list's name), and ``values`` is empty.
    """

    shape: Shape
    values: NDArray[Any]
    absent: Bools
    unsound: Ints
    offsets: Ints | None = None
    items: Mapping[str, Column] | None = None

    def __len__(self) -> int:
        return self.absent.size

    def value(self, row: int) -> FieldValue:
        """Row ``row`` as the streaming decoder has it; ``None`` where it is absent."""
        if self.absent[row]:
            return None
        if self.offsets is not None:
            return self._run(int(self.offsets[row]), int(self.offsets[row + 1]))
        value = self.values[row]
        if self.shape.type == "code":
            return self.shape.names[int(value)]
        plain: FieldValue = value.item() if isinstance(value, np.generic) else value
        return plain

    def _run(self, start: int, end: int) -> FieldValue:
        if self.items is None:
            return self.values[start:end].tobytes().decode("utf-8")
        if self.shape.type == "list":
            (item,) = self.items.values()
            return tuple(item.value(index) for index in range(start, end))  # type: ignore[return-value]
        return tuple({name: one.value(index) for name, one in self.items.items()} for index in range(start, end))

    def take(self, rows: Ints) -> Column:
        """The column of ``rows`` (places, in any order)."""
        unsound = self.unsound
        if unsound.size:
            flags = np.zeros(len(self), np.bool_)
            flags[unsound] = True
            unsound = np.flatnonzero(flags[rows])
        absent = self.absent[rows]
        if self.offsets is None:
            return Column(self.shape, self.values[rows], absent, unsound)
        return self._runs(self.offsets[rows], np.diff(self.offsets)[rows], absent, unsound)

    def without(self, rows: Bools) -> Column:
        """The column with some rows, shape (n,), made absent."""
        absent = self.absent | rows
        if self.offsets is None:
            return Column(self.shape, self.values, absent, self.unsound)
        lengths = np.where(rows, 0, np.diff(self.offsets))
        return self._runs(self.offsets[:-1], lengths, absent, self.unsound)

    def _runs(self, begin: Ints, lengths: Ints, absent: Bools, unsound: Ints) -> Column:
        """Rows that have ``lengths`` items from ``begin`` on."""
        offsets = offsets_of(lengths)
        inner = run_places(begin, lengths)
        if self.items is None:
            return Column(self.shape, self.values[inner], absent, unsound, offsets)
        items = {name: item.take(inner) for name, item in self.items.items()}
        return Column(self.shape, self.values, absent, unsound, offsets, items)


def plain(shape: Shape, values: NDArray[Any], absent: Bools) -> Column:
    """A column of sound values."""
    return Column(shape, values.astype(shape.dtype, copy=False), absent, _NO_ROWS)


def nested(shape: Shape, lengths: Ints, absent: Bools, items: Mapping[str, Column]) -> Column:
    """A ``list`` or ``groups`` column whose rows have ``lengths`` items each."""
    return Column(shape, _NO_VALUES, absent, _NO_ROWS, offsets_of(lengths), items)


def text(shape: Shape, lengths: Ints, characters: Bytes, absent: Bools) -> Column:
    """A ``text`` column whose rows have ``lengths`` bytes of UTF-8 each."""
    return Column(shape, characters, absent, _NO_ROWS, offsets_of(lengths))


def offsets_of(lengths: Ints) -> Ints:
    """Where each run of ``lengths`` begins, and where the last one ends: shape (n + 1,)."""
    offsets = np.zeros(lengths.size + 1, np.int64)
    np.cumsum(lengths, out=offsets[1:])
    return offsets


def build(shape: Shape, values: Sequence[FieldValue | object]) -> Column:
    """A column of values listed one by one as the streaming decoder has them, or :data:`UNSOUND`."""
    unsound = np.array([row for row, value in enumerate(values) if value is UNSOUND], np.int64)
    known = [None if value is UNSOUND else value for value in values]
    absent = np.array([value is None for value in known], np.bool_)
    if shape.type == "text":
        encoded = [value.encode("utf-8") if isinstance(value, str) else b"" for value in known]
        lengths = np.array([len(one) for one in encoded], np.int64)
        return Column(shape, np.frombuffer(b"".join(encoded), np.uint8), absent, unsound, offsets_of(lengths))
    if shape.fields:
        runs = [value if isinstance(value, tuple) else () for value in known]
        lengths = np.array([len(run) for run in runs], np.int64)
        flat = [item for run in runs for item in run]
        items = {one.name: build(one, [_pick(shape, one, item) for item in flat]) for one in shape.fields}
        return Column(shape, _NO_VALUES, absent, unsound, offsets_of(lengths), items)
    filler: Any = shape.dtype.type(0) if shape.type != "date" else dt.date(1970, 1, 1)
    codes = {name: code for code, name in enumerate(shape.names)}
    found: list[Any] = [codes[value] if shape.type == "code" and isinstance(value, str) else value for value in known]
    array = np.array([filler if value is None else value for value in found], shape.dtype)
    return Column(shape, array, absent, unsound)


def _pick(shape: Shape, field: Shape, item: Any) -> FieldValue:
    chosen: FieldValue = item[field.name] if shape.type == "groups" else item
    return chosen


def scattered(parts: Sequence[tuple[Ints, Column]], size: int) -> Column:
    """One column of ``size`` rows out of columns of the same shape, each with the rows it is to have there."""
    first = parts[0][1]
    absent = np.empty(size, np.bool_)
    lengths = np.empty(size if first.offsets is not None else 0, np.int64)
    for rows, part in parts:
        absent[rows] = part.absent
        if part.offsets is not None:
            lengths[rows] = np.diff(part.offsets)
    unsound = np.sort(np.concatenate([rows[part.unsound] for rows, part in parts]))
    if first.offsets is None:
        values = _scattered_values([(rows, part.values) for rows, part in parts], size)
        return Column(first.shape, values, absent, unsound)
    offsets = offsets_of(lengths)
    total = int(offsets[-1])
    places = [run_places(offsets[rows], np.diff(part.offsets)) for rows, part in parts if part.offsets is not None]
    if first.items is None:
        values = _scattered_values([(at, part.values) for at, (_, part) in zip(places, parts, strict=True)], total)
        return Column(first.shape, values, absent, unsound, offsets)
    items = {
        name: scattered(
            [(at, part.items[name]) for at, (_, part) in zip(places, parts, strict=True) if part.items is not None],
            total,
        )
        for name in first.items
    }
    return Column(first.shape, first.values, absent, unsound, offsets, items)


def _scattered_values(parts: Sequence[tuple[Ints, NDArray[Any]]], size: int) -> NDArray[Any]:
    values = np.empty(size, parts[0][1].dtype)
    for rows, part in parts:
        values[rows] = part
    return values


def run_places(begin: Ints, lengths: Ints) -> Ints:
    """The places of runs of ``lengths`` that begin at ``begin``, one run after the other."""
    starts = offsets_of(lengths)
    places: Ints = np.arange(starts[-1]) + np.repeat(begin - starts[:-1], lengths)
    return places


_NO_ROWS: Ints = np.zeros(0, np.int64)
_NO_VALUES: NDArray[Any] = np.zeros(0, np.uint8)
