"""Times and places for rows of measurements."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.export.positions import Positions
from offtake.journal.measured import Series
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
    """Finds time and place of one run's measurements, by its ``positions`` and ``timeline``."""

    def __init__(self, positions: Positions, timeline: TimeLine | None) -> None:
        self._positions = positions
        self._line = TimeLine() if timeline is None else timeline

    def stamps(self, series: Series) -> Stamps:
        """Time and place of each row of ``series``."""
        utc, off_s = self._line.stamp_many(series.tick_us)
        known = np.where(np.isinf(off_s), np.nan, off_s)
        places = self._positions.before(series.tick_us)
        place_s = np.where(np.isnan(places.latitude_deg), np.nan, (places.tick_us - series.tick_us) / 1e6)
        return Stamps(utc, known, places.latitude_deg, places.longitude_deg, place_s)
