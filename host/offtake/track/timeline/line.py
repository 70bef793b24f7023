"""The fitted line: ticks in, UTC and its uncertainty out."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from offtake.track.leap import posix_from_gps

Floats = NDArray[np.float64]

# How far a logger's clock may be off where nothing was fitted: a ceramic resonator's 0.5 % (from memory).
RESONATOR_ERROR = 0.005
# How fast its rate is taken to change where the receiver is not heard, beyond what was fitted.
RATE_CHANGE = 100e-6


@dataclass(frozen=True, slots=True)
class Stamp:
    """A moment in UTC and how far it may be off, in seconds (95 %)."""

    utc: dt.datetime
    uncertainty_s: float


def _none() -> Floats:
    return np.empty(0)


@dataclass(frozen=True)
class TimeLine:
    """How one run's ticks lie on UTC.

    The line goes through ``knots_tick_s`` (seconds of the logger, after ``wraps``) and ``knots_gps_s`` (seconds since
    the GPS epoch), straight between them and on beyond the ends with the first and last slope. It follows the earliest
    bytes of each stretch: bytes come late, never early. A delay that all epochs share cannot be seen in a log; it is
    ``latency_s`` as given. ``wraps`` are (tick in microseconds, seconds to add from there on) where the logger's ticks
    went round unseen. ``jitter_s`` is the mean delay of the bytes behind the line, ``knot_error_s`` the uncertainty at
    a knot (95 %).

    Of each mark: ``mark_utc`` what it means in UTC (``None``: no date), ``residuals_s`` how much earlier than the line
    it came (negative: late; ``nan``: without a time). ``drift_ppm`` is how much the logger's clock runs fast on
    average, ``drift_range_ppm`` the least and greatest over the run. ``notes`` say in words what was decided.
    """

    knots_tick_s: Floats = field(default_factory=_none)
    knots_gps_s: Floats = field(default_factory=_none)
    wraps: tuple[tuple[int, float], ...] = ()
    latency_s: float = 0.0
    jitter_s: float = 0.0
    knot_error_s: float = 0.0
    mark_utc: tuple[dt.datetime | None, ...] = ()
    residuals_s: Floats = field(default_factory=_none)
    marks_used: int = 0
    marks_rejected: int = 0
    drift_ppm: float | None = None
    drift_range_ppm: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    @property
    def usable(self) -> bool:
        """Whether ticks can be told in UTC: some epoch of the run told date and time."""
        return len(self.knots_tick_s) > 0

    @property
    def offset_utc(self) -> dt.datetime | None:
        """UTC at tick 0, when the logger started."""
        stamp = self.stamp(0)
        return None if stamp is None else stamp.utc

    @property
    def residual_median_s(self) -> float | None:
        """Median delay of the marks that were used, behind the line."""
        return self._residual(50.0)

    @property
    def residual_p95_s(self) -> float | None:
        """Delay that 95 % of the marks that were used stay within."""
        return self._residual(95.0)

    def _residual(self, share: float) -> float | None:
        late = -self.residuals_s[np.abs(self.residuals_s) < REJECT_S]
        return float(np.percentile(late, share)) if len(late) else None

    def stamp(self, tick_us: int) -> Stamp | None:
        """UTC of a tick (microseconds since power-up), to the microsecond; ``None`` where the run told no date."""
        if not self.usable:
            return None
        utc, uncertainty = self.stamp_many(np.array([tick_us], dtype=np.int64))
        moment: dt.datetime = utc[0].item()
        return Stamp(moment.replace(tzinfo=dt.UTC), float(uncertainty[0]))

    def stamp_many(self, ticks_us: NDArray[np.int64]) -> tuple[NDArray[np.datetime64], Floats]:
        """UTC (``datetime64[us]``) and uncertainty in seconds (95 %) of many ticks, same shape; ``NaT`` and infinity
        where the run told no date. A leap second's own ticks are shown as the second after it."""
        ticks_us = np.asarray(ticks_us, dtype=np.int64)
        if not self.usable:
            return np.full(ticks_us.shape, "NaT", dtype="datetime64[us]"), np.full(ticks_us.shape, np.inf)
        tick_s = self.tick_seconds(ticks_us)
        gps_s = self.gps_seconds(tick_s)
        posix = posix_from_gps(gps_s)
        micros = np.rint(posix * 1e6).astype(np.int64)
        return micros.astype("datetime64[us]"), self._uncertainty(tick_s)

    def tick_seconds(self, ticks_us: NDArray[np.int64]) -> Floats:
        """Ticks in seconds, with the rounds that the logger's counter made unseen."""
        seconds = ticks_us / 1e6
        for tick_us, add_s in self.wraps:
            seconds = np.where(ticks_us >= tick_us, seconds + add_s, seconds)
        return seconds

    def gps_seconds(self, tick_s: Floats) -> Floats:
        """Seconds since the GPS epoch at ``tick_s``, as :meth:`tick_seconds` gives them."""
        x, y = self.knots_tick_s, self.knots_gps_s
        if len(x) == 1:
            alone: Floats = y[0] + (tick_s - x[0])
            return alone
        out: Floats = np.interp(tick_s, x, y)
        first, last = (y[1] - y[0]) / (x[1] - x[0]), (y[-1] - y[-2]) / (x[-1] - x[-2])
        out = np.where(tick_s < x[0], y[0] + (tick_s - x[0]) * first, out)
        beyond: Floats = np.where(tick_s > x[-1], y[-1] + (tick_s - x[-1]) * last, out)
        return beyond

    def _uncertainty(self, tick_s: Floats) -> Floats:
        x = self.knots_tick_s
        after = np.clip(np.searchsorted(x, tick_s), 0, len(x) - 1)
        before = np.maximum(after - 1, 0)
        away = np.minimum(np.abs(tick_s - x[before]), np.abs(tick_s - x[after]))
        rate = RESONATOR_ERROR if len(x) == 1 else RATE_CHANGE
        out: Floats = self.knot_error_s + away * rate
        return out


REJECT_S = 0.5
"""A mark further from the line than this was not sent at the time it tells."""
