"""A run's values as arrays over one time axis."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from offtake.journal.events import RunEvent
from offtake.report.inputs import RunInput
from offtake.track.fixes import FixColumns
from offtake.track.geodesy import mean_position, plane
from offtake.track.timeline import TimeLine

if TYPE_CHECKING:
    from offtake.journal.measured import Series as Measured

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# No quantity of a vehicle is larger in these units; a log may say anything.
DRAWABLE_MAX = 1e9


@dataclass(frozen=True)
class Clock:
    """Ticks of a run to the seconds of its time axis, which begins at tick 0.

    With a usable time line these are true seconds, else the logger's own, which may be 0.5 % off.
    """

    timeline: TimeLine | None

    @property
    def start_utc(self) -> dt.datetime | None:
        """UTC at the axis' zero."""
        return self.timeline.offset_utc if self.timeline is not None else None

    def seconds(self, ticks_us: Iterable[int] | NDArray[np.int64]) -> Floats:
        """Return the seconds since tick 0 of each tick (microseconds)."""
        ticks = np.fromiter(ticks_us, dtype=np.int64) if not isinstance(ticks_us, np.ndarray) else ticks_us
        if self.timeline is None:
            return ticks / 1e6
        tick_s = self.timeline.tick_seconds(ticks)
        if not self.timeline.usable:
            return np.asarray(tick_s, dtype=np.float64)
        zero = self.timeline.gps_seconds(np.zeros(1))
        return np.asarray(self.timeline.gps_seconds(tick_s) - zero[0], dtype=np.float64)

    def second(self, tick_us: int) -> float:
        """The same for one tick."""
        return float(self.seconds(np.array([tick_us], dtype=np.int64))[0])

    def second_of_tick(self) -> float:
        """How many seconds one of the logger's own lasts on this axis, on the whole."""
        return self.second(1_000_000_000) / 1000.0 if self.timeline is not None and self.timeline.usable else 1.0


@dataclass(frozen=True)
class Values:
    """One quantity: ``seconds`` along the axis and ``values``, same length, without the absent ones. ``left_out``
    counts values that are not finite or beyond any vehicle."""

    seconds: Floats
    values: Floats
    left_out: int = 0

    def __len__(self) -> int:
        return len(self.values)


class RunSeries:
    """A run's quantities, each computed when it is first asked for."""

    def __init__(self, run: RunInput) -> None:
        self.run = run
        self.clock = Clock(run.track.timeline)
        self.fixes: FixColumns = run.track.fixes
        self.ticks_us = self.fixes.tick_us
        self.seconds = self.clock.seconds(self.ticks_us)
        self._seconds_of: dict[Measured, Floats] = {}

    def seconds_of(self, measured: Measured) -> Floats:
        """Where on the axis the frames of a sensor's message lie."""
        if measured not in self._seconds_of:
            self._seconds_of[measured] = self.clock.seconds(measured.tick_us)
        return self._seconds_of[measured]

    @cached_property
    def length_s(self) -> float:
        """The axis' length in seconds, at least one."""
        return max(1.0, self.clock.second(self.run.last_tick_us))

    def of_fixes(self, name: str) -> Values:
        """The quantity of the fixes that is called ``name`` there."""
        values = getattr(self.fixes, name)
        # Whole numbers that are absent are below 0.
        told = values if values.dtype.kind == "f" else np.where(values < 0, np.nan, values)
        return values_of(self.seconds, told)

    @cached_property
    def height_is_above_sea(self) -> bool:
        """Whether heights are above mean sea level; above the ellipsoid otherwise."""
        return not bool(np.isnan(self.fixes.altitude_m).all())

    @cached_property
    def height_m(self) -> Values:
        """Heights in metres, above what :attr:`height_is_above_sea` says."""
        return self.of_fixes("altitude_m" if self.height_is_above_sea else "height_m")

    @cached_property
    def latitude_deg(self) -> Floats:
        """Of every fix; ``nan`` without a position."""
        return np.where(self.fixes.has_position, self.fixes.latitude_deg, np.nan)

    @cached_property
    def longitude_deg(self) -> Floats:
        """Of every fix; ``nan`` without a position."""
        return np.where(self.fixes.has_position, self.fixes.longitude_deg, np.nan)

    @cached_property
    def placed(self) -> Flags:
        """Which fixes have a position on the globe."""
        return (np.abs(self.latitude_deg) <= 90.0) & (np.abs(self.longitude_deg) <= 180.0)

    @cached_property
    def glitched(self) -> Flags:
        """Which fixes some glitch doubts the position of."""
        doubted = np.zeros(len(self.fixes), dtype=bool)
        for glitch in self.run.analysis.glitches:
            if glitch.kind in ("jump", "speed_mismatch"):
                doubted[max(0, glitch.first) : glitch.last + 1] = True
        return doubted

    @cached_property
    def origin_deg(self) -> tuple[float, float] | None:
        """The mean of the undoubted positions: where the plane of :attr:`east_north_m` touches the ellipsoid."""
        sound = self.placed & ~self.glitched
        chosen = sound if sound.any() else self.placed
        if not chosen.any():
            return None
        return mean_position(self.latitude_deg[chosen], self.longitude_deg[chosen])

    @cached_property
    def east_north_m(self) -> tuple[Floats, Floats]:
        """Metres east and north of :attr:`origin_deg`; ``nan`` without a position."""
        east, north = np.full(len(self.fixes), np.nan), np.full(len(self.fixes), np.nan)
        if self.origin_deg is not None:
            found = plane(self.latitude_deg[self.placed], self.longitude_deg[self.placed], self.origin_deg)
            east[self.placed], north[self.placed] = found
        return east, north

    @cached_property
    def cn0_db_hz(self) -> tuple[Values, Values, Values]:
        """C/N0 of the satellites in use (of all tracked where use is not told): lower quartile, median, upper."""
        skies = self.run.track.skies
        told = ~np.isnan(skies.cn0_db_hz) & (skies.used != 0)
        of_sky, levels = skies.sky_of[told], skies.cn0_db_hz[told]
        levels = levels[np.lexsort((levels, of_sky))]
        # Of each sky that tells any: where its levels begin, in rising order, and the place of its last one from there.
        rows, first, count = np.unique(of_sky, return_index=True, return_counts=True)
        last = count - 1
        seconds = self.clock.seconds(skies.tick_us[rows])
        middle = (levels[first + last // 2] + levels[first + (last + 1) // 2]) / 2
        low, high = levels[first + last // 4], levels[first + last - last // 4]
        return values_of(seconds, low), values_of(seconds, middle), values_of(seconds, high)

    @cached_property
    def late_ms(self) -> Values | None:
        """How late each epoch's first byte came behind the fitted line, in milliseconds; ``None`` without a line."""
        timeline = self.run.track.timeline
        if timeline is None or not timeline.usable or len(timeline.residuals_s) != len(self.fixes):
            return None
        return values_of(self.seconds, -1000.0 * np.asarray(timeline.residuals_s, dtype=np.float64))

    @cached_property
    def supply_v(self) -> Values:
        """Supply voltage in volts."""
        return self._of_events([
            (event.tick_us, event.supply_mv / 1000.0) for event in self._supplies if event.supply_mv is not None
        ])  # fmt: skip

    @cached_property
    def card_busy_ms(self) -> Values:
        """Longest card busy time, in milliseconds. Each value stands from where the stretch that it is the longest of
        began, which is at the supply event before; the last one closes its stretch too."""
        supplies = [event for event in self._supplies if event.card_busy_ms is not None]
        told = [(event.tick_us, float(event.card_busy_ms or 0)) for event in supplies]
        begins = [0, *(tick for tick, _ in told)]
        closed = [(begin, busy) for begin, (_, busy) in zip(begins, told, strict=False)]
        return self._of_events([*closed, *told[-1:]])

    @property
    def _supplies(self) -> list[RunEvent]:
        return [event for event in self.run.events if event.kind == "supply"]

    def _of_events(self, told: list[tuple[int, float]]) -> Values:
        seconds = self.clock.seconds(np.array([tick for tick, _ in told], dtype=np.int64))
        return values_of(seconds, np.array([value for _, value in told], dtype=np.float64))


def values_of(seconds: Floats, values: Floats) -> Values:
    """Put a quantity on the axis, without what is absent or cannot be drawn."""
    told = ~np.isnan(values)
    kept = np.abs(np.where(told, values, 0.0)) <= DRAWABLE_MAX
    return Values(seconds[told & kept], values[told & kept], int((told & ~kept).sum()))
