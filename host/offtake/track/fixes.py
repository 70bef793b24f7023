"""A run's fixes as columns: an array for each field, which is also a sequence of :class:`~offtake.track.values.Fix`.

What an epoch did not say is ``nan`` in arrays of floats, -1 in those of whole numbers, :data:`NO_TIME` in UTC.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from offtake.track.ragged import EqualAsSequence, Flags, Indices, joined_starts, pieces, rows_of, starts_of, taken_lists
from offtake.track.values import Fix

Floats = NDArray[np.float64]
Codes = NDArray[np.int16]

NO_TIME = int(np.iinfo(np.int64).min)
"""In place of a UTC that is not known."""
WHOLE_MAX = int(np.iinfo(np.int64).max)
"""Greater numbers than this, which only a made-up dialect can tell, stand as this."""
WORDS_MAX = 1024
"""Different words that fixes of one run may have for quality and type; of more, the rest are ``other``."""

FLOAT_FIELDS = (
    "latitude_deg", "longitude_deg", "altitude_m", "geoid_separation_m", "height_m", "speed_m_s", "course_deg",
    "climb_m_s", "heading_deg", "hdop", "vdop", "pdop", "horizontal_accuracy_m", "vertical_accuracy_m",
    "speed_accuracy_m_s",
)  # fmt: skip
"""The fields of a fix that are numbers with decimals."""
WHOLE_FIELDS = ("time_of_day_us", "satellites_used", "satellites_in_view")
"""Those that are whole numbers, none below 0."""
WORD_FIELDS = ("fix_quality", "fix_type")
"""Those that are words."""

_EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_MICROSECOND = dt.timedelta(microseconds=1)
_OTHER = "other"


def utc_of(utc_us: int) -> dt.datetime | None:
    """Microseconds since 1970 as an aware time; ``None`` for :data:`NO_TIME`."""
    return None if utc_us == NO_TIME else _EPOCH + utc_us * _MICROSECOND


def utc_us_of(utc: dt.datetime | None) -> int:
    """An aware time as microseconds since 1970; :data:`NO_TIME` for ``None``."""
    return NO_TIME if utc is None else (utc - _EPOCH) // _MICROSECOND


@dataclass(frozen=True, eq=False)
class FixColumns(EqualAsSequence, Sequence[Fix]):
    """The epochs of run number ``run``, in stream order: n of them, every array of shape (n,) unless said otherwise.

    The fields are those of :class:`~offtake.track.values.Fix`, with ``tick_us`` in microseconds since power-up and
    ``utc_us`` in microseconds since 1970. ``fix_quality`` and ``fix_type`` are places in ``words`` (-1 absent).
    ``source_offset`` holds all epochs' stream offsets in a row; those of epoch i are the ones from ``source_start[i]``
    to ``source_start[i + 1]`` (shape (n+1,)). Arrays are not to be changed: slices share them.
    """

    run: int
    tick_us: Indices
    utc_us: Indices
    time_of_day_us: Indices
    latitude_deg: Floats
    longitude_deg: Floats
    altitude_m: Floats
    geoid_separation_m: Floats
    height_m: Floats
    speed_m_s: Floats
    course_deg: Floats
    climb_m_s: Floats
    heading_deg: Floats
    fix_quality: Codes
    fix_type: Codes
    satellites_used: Indices
    satellites_in_view: Indices
    hdop: Floats
    vdop: Floats
    pdop: Floats
    horizontal_accuracy_m: Floats
    vertical_accuracy_m: Floats
    speed_accuracy_m_s: Floats
    after_loss: Flags
    source_offset: Indices
    source_start: Indices
    words: tuple[str, ...] = ()

    @classmethod
    def empty(cls, run: int = 0) -> FixColumns:
        """No epochs."""
        return cls.from_columns(run, np.empty(0, dtype=np.int64), {})

    @classmethod
    def from_columns(
        cls, run: int, tick_us: Indices, given: Mapping[str, NDArray[Any]], words: tuple[str, ...] = ()
    ) -> FixColumns:
        """Return the epochs at ``tick_us`` with the columns ``given`` by field name; all other columns are absent."""
        count = len(tick_us)
        columns: dict[str, NDArray[Any]] = {
            "utc_us": np.full(count, NO_TIME, dtype=np.int64),
            "after_loss": np.zeros(count, dtype=np.bool_),
            "source_offset": np.empty(0, dtype=np.int64),
            "source_start": np.zeros(count + 1, dtype=np.int64),
        }
        columns |= {name: np.full(count, np.nan) for name in FLOAT_FIELDS if name not in given}
        columns |= {name: np.full(count, -1, dtype=np.int64) for name in WHOLE_FIELDS if name not in given}
        columns |= {name: np.full(count, -1, dtype=np.int16) for name in WORD_FIELDS if name not in given}
        columns |= given
        return cls(run=run, tick_us=tick_us, words=words, **columns)

    @classmethod
    def from_fixes(cls, fixes: Sequence[Fix], run: int) -> FixColumns:
        """Return ``fixes`` as columns (as they are, if they are columns already)."""
        if isinstance(fixes, FixColumns):
            return fixes
        words: dict[str, int] = {}
        columns: dict[str, NDArray[Any]] = {
            "utc_us": np.array([utc_us_of(fix.utc) for fix in fixes], dtype=np.int64),
            "after_loss": np.array([fix.after_loss for fix in fixes], dtype=np.bool_),
            "source_offset": np.array([one for fix in fixes for one in fix.source_offsets], dtype=np.int64),
            "source_start": starts_of([len(fix.source_offsets) for fix in fixes]),
        }
        for name in FLOAT_FIELDS:
            columns[name] = floats_of([getattr(fix, name) for fix in fixes])
        for name in WHOLE_FIELDS:
            columns[name] = wholes_of([getattr(fix, name) for fix in fixes])
        for name in WORD_FIELDS:
            told = (getattr(fix, name) for fix in fixes)
            columns[name] = np.array([-1 if one is None else word_code(words, one) for one in told], dtype=np.int16)
        ticks = np.array([fix.tick_us for fix in fixes], dtype=np.int64)
        return cls.from_columns(run, ticks, columns, tuple(words))

    @property
    def has_position(self) -> Flags:
        """For each epoch whether the receiver gave a position it vouched for."""
        return np.asarray(~(np.isnan(self.latitude_deg) | np.isnan(self.longitude_deg)))

    def with_utc(self, utc_us: Indices) -> FixColumns:
        """Return the same epochs at these times (microseconds since 1970, :data:`NO_TIME` where not known)."""
        return replace(self, utc_us=utc_us)

    def utc(self, row: int) -> dt.datetime | None:
        """When epoch ``row`` was, as an aware time."""
        return utc_of(int(self.utc_us[row]))

    def __len__(self) -> int:
        return len(self.tick_us)

    @overload
    def __getitem__(self, row: int) -> Fix: ...
    @overload
    def __getitem__(self, row: slice) -> FixColumns: ...
    def __getitem__(self, row: int | slice) -> Fix | FixColumns:
        if not isinstance(row, slice):
            place = range(len(self))[row]
            return next(self._objects(slice(place, place + 1)))
        start, stop, step = row.indices(len(self))
        if step != 1:
            return self.taken(np.arange(start, stop, step, dtype=np.int64))
        stop = max(start, stop)
        starts = self.source_start[start : stop + 1]
        given: dict[str, Any] = {name: getattr(self, name)[start:stop] for name in _PER_EPOCH}
        offsets = self.source_offset[int(starts[0]) : int(starts[-1])]
        return replace(self, **given, source_offset=offsets, source_start=starts - starts[0])

    def taken(self, rows: Indices | Flags | Sequence[int]) -> FixColumns:
        """Return the epochs ``rows``: their numbers in any order, or a flag for each epoch."""
        chosen = rows_of(rows, len(self))
        starts, places = taken_lists(self.source_start, chosen)
        given: dict[str, Any] = {name: getattr(self, name)[chosen] for name in _PER_EPOCH}
        return replace(self, **given, source_offset=self.source_offset[places], source_start=starts)

    def __iter__(self) -> Iterator[Fix]:
        for piece in pieces(len(self)):
            yield from self._objects(piece)

    def _objects(self, piece: slice) -> Iterator[Fix]:
        """Fixes with Python's own values."""
        part = {name: getattr(self, name)[piece].tolist() for name in _PER_EPOCH}
        lists: dict[str, list[Any]] = {name: part[name] for name in ("tick_us", "after_loss")}
        lists["utc"] = [utc_of(one) for one in part["utc_us"]]
        for name in FLOAT_FIELDS:
            lists[name] = [None if math.isnan(one) else one for one in part[name]]
        for name in WHOLE_FIELDS:
            lists[name] = [None if one < 0 else one for one in part[name]]
        for name in WORD_FIELDS:
            lists[name] = [None if one < 0 else self.words[one] for one in part[name]]
        starts = self.source_start[piece.start : piece.stop + 1].tolist()
        offsets = self.source_offset[starts[0] : starts[-1]].tolist() if starts else []
        for number, values in enumerate(zip(*lists.values(), strict=True)):
            said = tuple(offsets[starts[number] - starts[0] : starts[number + 1] - starts[0]])
            yield Fix(run=self.run, source_offsets=said, **dict(zip(lists, values, strict=True)))

    @classmethod
    def concat(cls, parts: Sequence[FixColumns]) -> FixColumns:
        """Return the epochs of ``parts`` (of one run) one after another."""
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        words: dict[str, int] = {}
        maps = [np.array([*(word_code(words, word) for word in part.words), -1], dtype=np.int16) for part in parts]
        given: dict[str, NDArray[Any]] = {
            name: np.concatenate([getattr(part, name) for part in parts])
            for name in (*_PER_EPOCH, "source_offset")
            if name not in WORD_FIELDS
        }
        for name in WORD_FIELDS:
            # Absent, -1, takes each map's last.
            given[name] = np.concatenate([to[getattr(part, name)] for part, to in zip(parts, maps, strict=True)])
        starts = joined_starts([part.source_start for part in parts])
        return cls(run=parts[0].run, words=tuple(words), source_start=starts, **given)


_PER_EPOCH = tuple(
    one.name for one in fields(FixColumns) if one.name not in ("run", "words", "source_offset", "source_start")
)


def word_code(words: dict[str, int], word: str) -> int:
    """The place of ``word`` in the table ``words``, into which it is put if there is room."""
    code = words.get(word)
    if code is None:
        if len(words) >= WORDS_MAX and word != _OTHER:
            return word_code(words, _OTHER)
        code = words[word] = len(words)
    return code


def floats_of(values: Sequence[Any]) -> Floats:
    """Numbers as an array of floats; ``nan`` for ``None`` and for whatever is no number."""
    known = (isinstance(value, int | float) and not isinstance(value, bool) for value in values)
    return np.array([value if good else math.nan for value, good in zip(values, known, strict=True)], dtype=np.float64)


def wholes_of(values: Sequence[Any], absent: int = -1, least: int = 0) -> Indices:
    """Whole numbers as an array; ``absent`` for ``None`` and for whatever is no whole number of ``least`` or more."""
    known = (isinstance(value, int) and not isinstance(value, bool) and value >= least for value in values)
    return np.array(
        [min(value, WHOLE_MAX) if good else absent for value, good in zip(values, known, strict=True)], dtype=np.int64
    )
