"""The satellites of a run's epochs as columns, which are also a sequence of :class:`~offtake.track.values.Sky`."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from offtake.track.fixes import NO_TIME, Floats, floats_of, utc_of, utc_us_of, wholes_of
from offtake.track.ragged import EqualAsSequence, Flags, Indices, joined_starts, pieces, rows_of, starts_of, taken_lists
from offtake.track.values import SYSTEMS, Satellite, Sky

SYSTEM_NONE = -1
"""In place of a satellite system that is not known."""

_CODES: dict[str | None, int] = {name: code for code, name in enumerate(SYSTEMS)}
_ID_LEAST = -(2**63) + 1
_PER_SKY = ("fix", "tick_us", "utc_us")
_FLOATS = ("elevation_deg", "azimuth_deg", "cn0_db_hz")
_FLAT = ("system", "satellite_id", *_FLOATS, "used", "signal_id")


@dataclass(frozen=True, eq=False)
class SkyColumns(EqualAsSequence, Sequence[Sky]):
    """The epochs of run number ``run`` that told of satellites, in stream order: n of them, and all their satellites.

    ``fix`` is the row of each one's epoch in the fixes (-1 not known), ``tick_us`` and ``utc_us`` (microseconds since
    1970, ``NO_TIME`` not known) are its; ``start``, shape (n+1,), says which satellites are of it. The other arrays
    have one element a satellite, in the order of the sky: ``system`` its place in ``SYSTEMS`` (-1 not known),
    ``satellite_id``, directions in degrees and ``cn0_db_hz`` (``nan`` absent), ``used`` 1 yes, 0 no, -1 not said,
    ``signal_id`` (-1 absent). Arrays are not to be changed: slices share them.
    """

    run: int
    fix: Indices
    tick_us: Indices
    utc_us: Indices
    start: Indices
    system: NDArray[np.int8]
    satellite_id: Indices
    elevation_deg: Floats
    azimuth_deg: Floats
    cn0_db_hz: Floats
    used: NDArray[np.int8]
    signal_id: Indices

    @classmethod
    def empty(cls, run: int = 0) -> SkyColumns:
        """No epochs."""
        return cls.from_skies((), run)

    @classmethod
    def from_skies(cls, skies: Sequence[Sky], run: int, fix: Indices | None = None) -> SkyColumns:
        """Return ``skies`` as columns (as they are, if they are columns already); ``fix`` are their rows in the fixes.

        A system that is not in ``SYSTEMS`` is not known.
        """
        if isinstance(skies, SkyColumns):
            return skies
        every = [one for sky in skies for one in sky.satellites]
        systems = [_CODES.get(one.system, SYSTEM_NONE) for one in every]
        used = [-1 if one.used is None else int(bool(one.used)) for one in every]
        return cls(
            run=run,
            fix=np.full(len(skies), -1, dtype=np.int64) if fix is None else fix,
            tick_us=np.array([sky.tick_us for sky in skies], dtype=np.int64),
            utc_us=np.array([utc_us_of(sky.utc) for sky in skies], dtype=np.int64),
            start=starts_of([len(sky.satellites) for sky in skies]),
            system=np.array(systems, dtype=np.int8),
            satellite_id=wholes_of([one.satellite_id for one in every], least=_ID_LEAST),
            elevation_deg=floats_of([one.elevation_deg for one in every]),
            azimuth_deg=floats_of([one.azimuth_deg for one in every]),
            cn0_db_hz=floats_of([one.cn0_db_hz for one in every]),
            used=np.array(used, dtype=np.int8),
            signal_id=wholes_of([one.signal_id for one in every]),
        )

    @property
    def sky_of(self) -> Indices:
        """For each satellite the row of its sky."""
        return np.repeat(np.arange(len(self), dtype=np.int64), np.diff(self.start))

    def with_utc(self, fix_utc_us: Indices) -> SkyColumns:
        """Return the same with the times of the fixes, an array over all of these, by ``fix``."""
        known = self.fix >= 0
        times = np.full(len(self), NO_TIME, dtype=np.int64)
        times[known] = fix_utc_us[self.fix[known]]
        return replace(self, utc_us=times)

    def moved(self, rows: int) -> SkyColumns:
        """Return the same for fixes that stand ``rows`` further on."""
        return replace(self, fix=np.where(self.fix < 0, self.fix, self.fix + rows))

    def utc(self, row: int) -> dt.datetime | None:
        """When sky ``row`` was, as an aware time."""
        return utc_of(int(self.utc_us[row]))

    def __len__(self) -> int:
        return len(self.tick_us)

    @overload
    def __getitem__(self, row: int) -> Sky: ...
    @overload
    def __getitem__(self, row: slice) -> SkyColumns: ...
    def __getitem__(self, row: int | slice) -> Sky | SkyColumns:
        if not isinstance(row, slice):
            place = range(len(self))[row]
            return next(self._objects(slice(place, place + 1)))
        start, stop, step = row.indices(len(self))
        if step != 1:
            return self.taken(np.arange(start, stop, step, dtype=np.int64))
        stop = max(start, stop)
        starts = self.start[start : stop + 1]
        given: dict[str, Any] = {name: getattr(self, name)[start:stop] for name in _PER_SKY}
        given |= {name: getattr(self, name)[int(starts[0]) : int(starts[-1])] for name in _FLAT}
        return replace(self, **given, start=starts - starts[0])

    def taken(self, rows: Indices | Flags | Sequence[int]) -> SkyColumns:
        """Return the skies ``rows``: their numbers in any order, or a flag for each."""
        chosen = rows_of(rows, len(self))
        starts, places = taken_lists(self.start, chosen)
        given: dict[str, Any] = {name: getattr(self, name)[chosen] for name in _PER_SKY}
        given |= {name: getattr(self, name)[places] for name in _FLAT}
        return replace(self, **given, start=starts)

    def __iter__(self) -> Iterator[Sky]:
        for piece in pieces(len(self)):
            yield from self._objects(piece)

    def _objects(self, piece: slice) -> Iterator[Sky]:
        """Skies with Python's own values."""
        starts = self.start[piece.start : piece.stop + 1].tolist()
        members = self._satellites(slice(starts[0], starts[-1]))
        times = zip(self.tick_us[piece].tolist(), self.utc_us[piece].tolist(), strict=True)
        for number, (tick_us, utc_us) in enumerate(times):
            inside = slice(starts[number] - starts[0], starts[number + 1] - starts[0])
            yield Sky(self.run, tick_us, utc_of(utc_us), tuple(members[inside]))

    def _satellites(self, piece: slice) -> list[Satellite]:
        floats = ([None if math.isnan(one) else one for one in getattr(self, name)[piece].tolist()] for name in _FLOATS)
        columns = (
            [None if one < 0 else SYSTEMS[one] for one in self.system[piece].tolist()],
            self.satellite_id[piece].tolist(),
            *floats,
            [None if one < 0 else one > 0 for one in self.used[piece].tolist()],
            [None if one < 0 else one for one in self.signal_id[piece].tolist()],
        )
        return [Satellite(*values) for values in zip(*columns, strict=True)]

    @classmethod
    def concat(cls, parts: Sequence[SkyColumns]) -> SkyColumns:
        """Return the skies of ``parts`` (of one run) one after another; their ``fix`` as they are."""
        if not parts:
            return cls.empty()
        if len(parts) == 1:
            return parts[0]
        given: dict[str, Any] = {
            name: np.concatenate([getattr(part, name) for part in parts]) for name in (*_PER_SKY, *_FLAT)
        }
        return cls(run=parts[0].run, start=joined_starts([part.start for part in parts]), **given)
