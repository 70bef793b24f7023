"""The fitted line: ticks in, UTC and its uncertainty out."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from offtake.track.fixes import utc_of
from offtake.track.leap import posix_from_gps

Floats = NDArray[np.float64]

# How far a logger's clock may be off where nothing was fitted: a ceramic resonator's 0.5 % (from memory).
RESONATOR_ERROR = 0.005
# How far its rate is taken to be from the one fitted where the receiver is not heard: this at once, so much more with
# every second as the board warms or cools, and not beyond that.
RATE_CHANGE = 100e-6
RATE_CHANGE_PER_S = 1e-6
RATE_CHANGE_MAX = 1e-3
REJECT_S = 0.5
"""A mark further from the line than this was not sent at the time it tells."""

# The slope on beyond the ends is that of the last stretch of this length.
_SLOPE_OVER_S = 60.0
# Bytes so near to a silence whose length only the receiver knows are taken to be of its own side.
_BESIDE_SILENCE_S = 2.0
_YEAR_9999_US = int(np.datetime64("9999-12-31", "us").astype(np.int64))
YEAR_1_US = int(np.datetime64("0001-01-01", "us").astype(np.int64))
YEAR_10000_US = int(np.datetime64("10000-01-01", "us").astype(np.int64))
"""Between these times, in microseconds since 1970, lies the calendar."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """A moment in UTC and how far it may be off, in seconds (95 %)."""

    utc: dt.datetime
    uncertainty_s: float


def _none() -> Floats:
    return np.empty(0)


def along(x: Floats, knots_x: Floats, knots_y: Floats, *, alone: float = 0.0) -> Floats:
    """Straight lines through the knots at ``x``, going on beyond the ends; through a lone one with slope ``alone``."""
    if len(knots_x) == 1:
        out: Floats = knots_y[0] + alone * (x - knots_x[0])
        return out
    out = np.interp(x, knots_x, knots_y)
    # Knots close together tell no slope.
    one = min(int(np.searchsorted(knots_x, knots_x[0] + _SLOPE_OVER_S)), len(knots_x) - 1)
    two = max(int(np.searchsorted(knots_x, knots_x[-1] - _SLOPE_OVER_S, side="right")) - 1, 0)
    first = (knots_y[one] - knots_y[0]) / (knots_x[one] - knots_x[0])
    last = (knots_y[-1] - knots_y[two]) / (knots_x[-1] - knots_x[two])
    out = np.where(x < knots_x[0], knots_y[0] + (x - knots_x[0]) * first, out)
    out = np.where(x > knots_x[-1], knots_y[-1] + (x - knots_x[-1]) * last, out)
    return out


@dataclass(frozen=True)
class TimeLine:
    """How one run's ticks lie on UTC.

    The line goes through ``knots_tick_s`` (seconds of the logger, after ``wraps``) and ``knots_gps_s`` (seconds since
    the GPS epoch), straight between them and on beyond the ends with the first and last slope. It follows the earliest
    bytes of each stretch: bytes come late, never early. A delay that all epochs share cannot be seen in a log; it is
    ``latency_s`` as given. ``wraps`` are (tick in microseconds, seconds to add from there on) where the logger's ticks
    went round unseen. ``knots_error_s`` is the uncertainty at each knot (95 %).

    Of each mark: ``mark_utc_us`` what it means in UTC (microseconds since 1970, ``NO_TIME``: no date), ``residuals_s``
    how much earlier than the line it came (negative: late; ``nan``: without a time). ``drift_ppm`` is how much the
    logger's clock runs fast on average, ``drift_range_ppm`` the least and greatest over the run. ``notes`` say in words
    what was decided.
    """

    knots_tick_s: Floats = field(default_factory=_none)
    knots_gps_s: Floats = field(default_factory=_none)
    wraps: tuple[tuple[int, float], ...] = ()
    latency_s: float = 0.0
    knots_error_s: Floats = field(default_factory=_none)
    mark_utc_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, dtype=np.int64))
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
    def mark_utc(self) -> tuple[dt.datetime | None, ...]:
        """UTC of each mark as an aware time, ``None`` without a date; made anew at each call."""
        return tuple(utc_of(one) for one in self.mark_utc_us.tolist())

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
        """UTC of a tick (microseconds since power-up), to the microsecond; ``None`` where the run told no date or the
        tick is past the calendar."""
        if not self.usable or abs(tick_us) >= 2**63:
            return None
        utc, uncertainty = self.stamp_many(np.array([tick_us], dtype=np.int64))
        if np.isnat(utc[0]):
            return None
        moment: dt.datetime = utc[0].item()
        return Stamp(moment.replace(tzinfo=dt.UTC), float(uncertainty[0]))

    def stamp_many(self, ticks_us: NDArray[np.int64]) -> tuple[NDArray[np.datetime64], Floats]:
        """UTC (``datetime64[us]``) and uncertainty in seconds (95 %) of many ticks, same shape; ``NaT`` and infinity
        where the run told no date and past the calendar. A leap second's own ticks are shown as the second after it."""
        ticks_us = np.asarray(ticks_us, dtype=np.int64)
        if not self.usable:
            return np.full(ticks_us.shape, "NaT", dtype="datetime64[us]"), np.full(ticks_us.shape, np.inf)
        tick_s = self.tick_seconds(ticks_us)
        gps_s = self.gps_seconds(tick_s)
        posix = posix_from_gps(gps_s)
        micros = np.rint(posix * 1e6)
        # A damaged log's ticks can lie past the calendar.
        shown = (micros > YEAR_1_US) & (micros < _YEAR_9999_US)
        utc = np.where(shown, micros, 0).astype(np.int64).astype("datetime64[us]")
        utc[~shown] = np.datetime64("NaT")
        return utc, np.where(shown, self._uncertainty(tick_s), np.inf)

    def tick_seconds(self, ticks_us: NDArray[np.int64]) -> Floats:
        """Ticks in seconds, with the rounds that the logger's counter made unseen."""
        seconds = ticks_us / 1e6
        for tick_us, add_s in self.wraps:
            seconds = np.where(ticks_us >= tick_us, seconds + add_s, seconds)
        return seconds

    def gps_seconds(self, tick_s: Floats) -> Floats:
        """Seconds since the GPS epoch at ``tick_s``, as :meth:`tick_seconds` gives them."""
        # Relative to the first knot: a double that counts from 1980 has a quarter of a microsecond.
        since = along(tick_s, self.knots_tick_s, self.knots_gps_s - self.knots_gps_s[0], alone=1.0)
        out: Floats = self.knots_gps_s[0] + since
        return out

    def _uncertainty(self, tick_s: Floats) -> Floats:
        x = self.knots_tick_s
        after = np.clip(np.searchsorted(x, tick_s), 0, len(x) - 1)
        before = np.maximum(after - 1, 0)
        away = np.minimum(np.abs(tick_s - x[before]), np.abs(tick_s - x[after]))
        if len(x) == 1:
            rate: Floats = np.full(away.shape, RESONATOR_ERROR)
        else:
            rate = np.minimum(RATE_CHANGE + RATE_CHANGE_PER_S * away, RATE_CHANGE_MAX)
        error = np.interp(tick_s, x, self.knots_error_s)
        # Beyond the ends the slope is as uncertain as the knots that it rests on.
        beyond = (tick_s < x[0]) | (tick_s > x[-1])
        rate = rate + np.where(beyond, 2.0 * error / max(min(float(x[-1] - x[0]), _SLOPE_OVER_S), 1.0), 0.0)
        out: Floats = error + away * rate
        added = 0.0
        for tick_us, add_s in self.wraps:
            # Within such a silence nobody knows on which side of a round a lone byte came.
            low = np.searchsorted(x, tick_us / 1e6 + added, side="right") - 1
            added += add_s
            within = (after == low + 1) & (tick_s < x[-1]) & (away > _BESIDE_SILENCE_S)
            out = np.where(within, np.maximum(out, add_s), out)
        return out
