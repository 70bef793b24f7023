"""The positions of a run, to be asked for by row or by time, in memory that does not grow with the run."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

from offtake.export.values import require_positions, wrapped_deg
from offtake.track.fixes import FixColumns
from offtake.track.values import Fix

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

# So many stretches of positions stay in memory; of more, the others lie in a file that has no name.
_STRETCHES_KEPT = 4
_ROWS_IN_STRETCH = 65_536


@dataclass(frozen=True, eq=False)
class Places:
    """Positions, shape (n,) each, with the rows of their fixes; longitude from -180 to below 180. Where there is none,
    row is -1 and the place nan."""

    row: Ints
    tick_us: Ints
    latitude_deg: Floats
    longitude_deg: Floats


@dataclass(frozen=True, eq=False)
class _Stretch:
    """Positions in order of tick, those of one tick in the order of their rows."""

    row: Ints
    tick_us: Ints
    latitude_deg: Floats
    longitude_deg: Floats

    def written(self) -> bytes:
        return b"".join(one.tobytes() for one in (self.row, self.tick_us, self.latitude_deg, self.longitude_deg))


def _read(data: bytes) -> _Stretch:
    words = np.frombuffer(data, np.int64).reshape(4, -1)
    return _Stretch(words[0], words[1], words[2].view(np.float64), words[3].view(np.float64))


class Positions:
    """Positions of one run's fixes, which are added in order. DamageError for one out of range."""

    def __init__(self) -> None:
        self._stretches: dict[int, _Stretch] = {}
        self._spilled: list[tuple[int, int]] = []
        self._file: BinaryIO | None = None
        self._row_ends: list[int] = []
        self._least_us: list[int] = []
        self._most_us: list[int] = []
        self._last: list[tuple[int, float, float]] = []
        self._first: tuple[int, int, float, float] | None = None

    def add(self, fixes: FixColumns, number: int = 0) -> None:
        """Take in the positions of ``fixes``, the first of which is ``number`` in its run."""
        require_positions(fixes)
        every = np.flatnonzero(fixes.has_position)
        for begin in range(0, len(every), _ROWS_IN_STRETCH):
            rows = every[begin : begin + _ROWS_IN_STRETCH]
            order = rows[np.argsort(fixes.tick_us[rows], kind="stable")]
            longitude = wrapped_deg(fixes.longitude_deg[order])
            self._add(
                _Stretch(order + number, fixes.tick_us[order], fixes.latitude_deg[order], longitude),
                int(rows[-1]) + number,
            )

    def _add(self, stretch: _Stretch, last_row: int) -> None:
        place = len(self._row_ends)
        first, last = (
            (int(stretch.row[one]), float(stretch.latitude_deg[one]), float(stretch.longitude_deg[one]))
            for one in (0, -1)
        )
        least = int(stretch.tick_us[0])
        if self._first is None or least < self._first[1]:
            self._first = (first[0], least, *first[1:])
        self._row_ends.append(last_row)
        self._least_us.append(least)
        self._most_us.append(int(stretch.tick_us[-1]))
        self._last.append(last)
        self._spilled.append((-1, 0))
        self._keep(place, stretch)

    def _keep(self, place: int, stretch: _Stretch) -> None:
        self._stretches[place] = stretch
        if len(self._stretches) > _STRETCHES_KEPT:
            oldest = next(iter(self._stretches))
            self._spill(oldest, self._stretches.pop(oldest))

    def _spill(self, place: int, stretch: _Stretch) -> None:
        if self._spilled[place][0] >= 0:
            return
        if self._file is None:
            self._file = tempfile.TemporaryFile()  # noqa: SIM115
        data = stretch.written()
        self._spilled[place] = (self._file.seek(0, 2), len(data))
        self._file.write(data)

    def _stretch(self, place: int) -> _Stretch:
        if place not in self._stretches:
            assert self._file is not None
            offset, size = self._spilled[place]
            self._file.seek(offset)
            self._keep(place, _read(self._file.read(size)))
        return self._stretches[place]

    def at_row(self, run: int, row: int) -> Fix | None:
        """Fix number ``row``, its time and place only; ``None`` where it has none."""
        place = int(np.searchsorted(self._row_ends, row))
        if place >= len(self._row_ends):
            return None
        stretch = self._stretch(place)
        found = np.flatnonzero(stretch.row == row)
        if not len(found):
            return None
        one = found[0]
        return Fix(
            run,
            int(stretch.tick_us[one]),
            latitude_deg=float(stretch.latitude_deg[one]),
            longitude_deg=float(stretch.longitude_deg[one]),
        )

    def before(self, tick_us: Ints) -> Places:
        """For each tick the last position at it or before, or else the first at all; shape as ``tick_us``."""
        if self._first is None:
            nowhere = np.full(tick_us.shape, np.nan)
            return Places(np.full(tick_us.shape, -1), np.zeros(tick_us.shape, np.int64), nowhere, nowhere)
        found = Places(*(np.full(tick_us.shape, value) for value in self._first))
        best = self._from_whole_stretches(tick_us, found)
        order = np.argsort(tick_us, kind="stable")
        ordered = tick_us[order]
        for place, (least, most) in enumerate(zip(self._least_us, self._most_us, strict=True)):
            # Ticks at the stretch's last position, or behind it, have been looked after.
            begin, end = np.searchsorted(ordered, (least, most))
            if begin < end:
                self._from_within(place, tick_us, order[begin:end], found, best)
        return found

    def _from_whole_stretches(self, tick_us: Ints, found: Places) -> Ints:
        """Fill in what the stretches that end at a tick or before give; which stretch, -1 for none."""
        most = np.array(self._most_us, dtype=np.int64)
        by_end = np.argsort(most, kind="stable")
        count = np.searchsorted(most[by_end], tick_us, side="right")
        best = np.where(count > 0, by_end[np.maximum(count - 1, 0)], -1)
        rows = np.flatnonzero(best >= 0)
        row, latitude_deg, longitude_deg = (np.array(one) for one in zip(*self._last, strict=True))
        _put(found, rows, best[rows], row, most, latitude_deg, longitude_deg)
        return best

    def _from_within(self, place: int, tick_us: Ints, rows: Ints, found: Places, best: Ints) -> None:
        stretch = self._stretch(place)
        at = np.searchsorted(stretch.tick_us, tick_us[rows], side="right") - 1
        later = stretch.tick_us[at] > found.tick_us[rows]
        same = (stretch.tick_us[at] == found.tick_us[rows]) & (place > best[rows])
        taken = later | same | (best[rows] < 0)
        rows, at = rows[taken], at[taken]
        _put(found, rows, at, stretch.row, stretch.tick_us, stretch.latitude_deg, stretch.longitude_deg)
        best[rows] = place


def _put(found: Places, rows: Ints, at: Ints, row: Ints, tick_us: Ints, latitude: Floats, longitude: Floats) -> None:
    """Fill in ``rows`` with what stands at ``at``."""
    found.row[rows], found.tick_us[rows] = row[at], tick_us[at]
    found.latitude_deg[rows], found.longitude_deg[rows] = latitude[at], longitude[at]
