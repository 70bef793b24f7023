"""What a run's epochs say of time, as columns, which are also a sequence of
:class:`~offtake.track.timemark.TimeMark`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields
from typing import Any, overload

import numpy as np

from offtake.track.fixes import wholes_of
from offtake.track.ragged import EqualAsSequence, Flags, Indices, pieces, rows_of
from offtake.track.timemark import TimeMark

NO_DAY = int(np.iinfo(np.int64).min)
"""In place of a date that was not told."""
NO_LEAP = int(np.iinfo(np.int64).min)
"""In place of leap seconds that were not told."""

_UNIX_DAY = dt.date(1970, 1, 1).toordinal()


@dataclass(frozen=True, eq=False)
class MarkColumns(EqualAsSequence, Sequence[TimeMark]):
    """A run's marks, in stream order, every array of shape (n,).

    The fields are those of :class:`~offtake.track.timemark.TimeMark`; what was not told is -1. ``day`` is the date in
    days since 1970, :data:`NO_DAY` where none was told; ``leap_s`` is :data:`NO_LEAP` where not told.
    """

    tick_us: Indices
    time_of_day_us: Indices
    time_of_week_us: Indices
    day: Indices
    week: Indices
    week_bits: Indices
    leap_s: Indices
    trusted: Flags
    after_loss: Flags

    @classmethod
    def empty(cls) -> MarkColumns:
        """No marks."""
        return cls.from_marks(())

    @classmethod
    def from_marks(cls, marks: Sequence[TimeMark]) -> MarkColumns:
        """Return ``marks`` as columns (as they are, if they are columns already)."""
        if isinstance(marks, MarkColumns):
            return marks
        days = (mark.date for mark in marks)
        return cls(
            tick_us=np.array([mark.tick_us for mark in marks], dtype=np.int64),
            time_of_day_us=wholes_of([mark.time_of_day_us for mark in marks]),
            time_of_week_us=wholes_of([mark.time_of_week_us for mark in marks]),
            day=np.array([NO_DAY if day is None else day.toordinal() - _UNIX_DAY for day in days], dtype=np.int64),
            week=wholes_of([mark.week for mark in marks]),
            week_bits=wholes_of([mark.week_bits for mark in marks]),
            leap_s=wholes_of([mark.leap_s for mark in marks], NO_LEAP, NO_LEAP + 1),
            trusted=np.array([mark.trusted for mark in marks], dtype=np.bool_),
            after_loss=np.array([mark.after_loss for mark in marks], dtype=np.bool_),
        )

    def __len__(self) -> int:
        return len(self.tick_us)

    @overload
    def __getitem__(self, row: int) -> TimeMark: ...
    @overload
    def __getitem__(self, row: slice) -> MarkColumns: ...
    def __getitem__(self, row: int | slice) -> TimeMark | MarkColumns:
        if not isinstance(row, slice):
            place = range(len(self))[row]
            return next(self._objects(slice(place, place + 1)))
        return MarkColumns(**{name: getattr(self, name)[row] for name in _NAMES})

    def taken(self, rows: Indices | Flags | Sequence[int]) -> MarkColumns:
        """Return the marks ``rows``: their numbers in any order, or a flag for each."""
        chosen = rows_of(rows, len(self))
        return MarkColumns(**{name: getattr(self, name)[chosen] for name in _NAMES})

    def __iter__(self) -> Iterator[TimeMark]:
        for piece in pieces(len(self)):
            yield from self._objects(piece)

    def _objects(self, piece: slice) -> Iterator[TimeMark]:
        """Marks with Python's own values."""
        lists: dict[str, list[Any]] = {name: getattr(self, name)[piece].tolist() for name in _NAMES}
        for name in ("time_of_day_us", "time_of_week_us", "week", "week_bits"):
            lists[name] = [None if one < 0 else one for one in lists[name]]
        lists["leap_s"] = [None if one == NO_LEAP else one for one in lists["leap_s"]]
        lists["date"] = [None if one == NO_DAY else dt.date.fromordinal(one + _UNIX_DAY) for one in lists.pop("day")]
        for values in zip(*lists.values(), strict=True):
            yield TimeMark(**dict(zip(lists, values, strict=True)))

    @classmethod
    def concat(cls, parts: Sequence[MarkColumns]) -> MarkColumns:
        """Return the marks of ``parts`` one after another."""
        if not parts:
            return cls.empty()
        return cls(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in _NAMES})


_NAMES = tuple(one.name for one in fields(MarkColumns))
