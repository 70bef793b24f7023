"""Times and places for rows of measurements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.export.values import checked_position
from offtake.journal.measured import Series
from offtake.track.fix import Track
from offtake.track.timeline import TimeLine


@dataclass(frozen=True)
class BaseColumn:
    """A column that every table of measurements has."""

    name: str
    unit: str
    doc: str


BASE_COLUMNS = (
    BaseColumn("run", "1", "Number of the run."),
    BaseColumn("tick_us", "us", "The logger's time of the measurement, since power-up."),
    BaseColumn("utc", "UTC", "The same on the run's time line; absent while no date is known."),
    BaseColumn("utc_uncertainty_s", "s", "How far that may be off (95 %)."),
    BaseColumn("latitude_deg", "deg", "Latitude of the position before it, or the first at all, north positive."),
    BaseColumn("longitude_deg", "deg", "Longitude of that position, east positive, -180 to below 180."),
    BaseColumn("place_s", "s", "How much later than the measurement that position is."),
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Stamps:
    """When and where the rows of a series were measured, shape (n,) each. ``utc`` (datetime64[us]) is NaT and
    ``utc_uncertainty_s`` nan where the run told no date; the place is nan in a run without a position."""

    utc: NDArray[np.datetime64]
    utc_uncertainty_s: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    longitude_deg: NDArray[np.float64]
    place_s: NDArray[np.float64]


class Stamper:
    """Finds time and place of one run's measurements. DamageError for a track with a position out of range."""

    def __init__(self, track: Track | None) -> None:
        fixes = sorted((fix for fix in (track.fixes if track else ()) if fix.has_position), key=lambda fix: fix.tick_us)
        self._ticks = np.array([fix.tick_us for fix in fixes], dtype=np.int64)
        self._places = np.array([checked_position(fix) for fix in fixes], dtype=np.float64).reshape(-1, 2)
        self._line = track.timeline if track and track.timeline is not None else TimeLine()

    def stamps(self, series: Series) -> Stamps:
        """Time and place of each row of ``series``."""
        utc, off_s = self._line.stamp_many(series.tick_us)
        known = np.where(np.isinf(off_s), np.nan, off_s)
        count = len(series.tick_us)
        if not len(self._ticks):
            nowhere = np.full(count, np.nan)
            return Stamps(utc, known, nowhere, nowhere, nowhere)
        before = np.maximum(np.searchsorted(self._ticks, series.tick_us, side="right") - 1, 0)
        place_s = (self._ticks[before] - series.tick_us) / 1e6
        return Stamps(utc, known, self._places[before, 0], self._places[before, 1], place_s)
