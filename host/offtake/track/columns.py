"""A track's fixes as the analysis needs them: positions, and what lies between each and the next."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from offtake.track.contribution import DAY_US
from offtake.track.fix import Track
from offtake.track.fixes import NO_TIME, FixColumns
from offtake.track.geodesy import Floats, Legs, legs, radii_m
from offtake.track.ragged import Flags, Indices

# Where the receiver's times and the ticks disagree by more, the ticks tell how much time passed: output comes late by
# less, and a resonator's error is below 1 %.
_LATE_S = 1.0
_RATE = 0.01
_SAMPLE = 200
# Steps of text positions in degrees, from the coarsest, then of binary ones.
_STEPS_DEG = (*(1 / 60 / 10**decimals for decimals in range(2, 8)), 1e-7, 1e-9)


@dataclass(frozen=True)
class Columns:
    """The fixes with a position, ``index`` into the track, and what lies between each and the next.

    Arrays have one element a position; ``legs``, ``step_s`` one less. What a fix does not say is nan. ``time_s`` are
    seconds along the run: the receiver's own differences where they agree with the ticks, the ticks' elsewhere.
    ``step_m`` is the step of the positions' last digit.
    """

    run: int
    index: Indices
    tick_us: Indices
    latitude_deg: Floats
    longitude_deg: Floats
    speed_m_s: Floats
    course_deg: Floats
    height_m: Floats
    hdop: Floats
    accuracy_m: Floats
    step_s: Floats
    time_s: Floats
    legs: Legs
    step_m: float

    def __len__(self) -> int:
        return len(self.index)


@dataclass(frozen=True)
class Epochs:
    """All epochs: their ticks, and the receiver's time of day in microseconds or, without one, of its UTC; -1 where
    neither is known. ``interval_s`` is the usual time between epochs; ``whole_seconds`` says that there are more epochs
    than times, which are told in whole seconds only."""

    tick_us: Indices
    clock_us: Indices
    has_position: Flags
    interval_s: float | None
    whole_seconds: bool


def epochs_of(track: Track) -> Epochs:
    """Return the epochs of ``track`` as arrays."""
    fixes = track.fixes
    ticks, clock = fixes.tick_us, _clock_us(fixes)
    steps = np.diff(ticks)
    steps = steps[steps > 0]
    interval = float(np.median(steps)) / 1e6 if len(steps) else None
    whole = interval is not None and interval < 0.9 and not np.any(clock[clock >= 0] % 1_000_000)
    return Epochs(ticks, clock, fixes.has_position, interval, whole)


def columns_of(track: Track, distrusted: Flags) -> Columns:
    """Return the positions of ``track`` as arrays.

    ``distrusted`` says for each epoch that the receiver's time does not tell how much passed since the one before.
    """
    index = np.flatnonzero(track.fixes.has_position).astype(np.int64)
    kept = track.fixes if len(index) == len(track.fixes) else track.fixes.taken(index)
    before = np.cumsum(distrusted)[index]
    step_s = _steps_s(kept.tick_us, _clock_us(kept), np.diff(before) > 0)
    # One kind of height for the whole run: the two differ by the geoid's height.
    above_sea = not np.isnan(kept.altitude_m).all()
    return Columns(
        run=track.run,
        index=index,
        tick_us=kept.tick_us,
        latitude_deg=kept.latitude_deg,
        longitude_deg=kept.longitude_deg,
        speed_m_s=kept.speed_m_s,
        course_deg=kept.course_deg,
        height_m=kept.altitude_m if above_sea else kept.height_m,
        hdop=kept.hdop,
        accuracy_m=kept.horizontal_accuracy_m,
        step_s=step_s,
        time_s=np.concatenate(([0.0], np.cumsum(step_s)))[: len(kept)],
        legs=legs(kept.latitude_deg, kept.longitude_deg),
        step_m=_step_m(kept.latitude_deg, kept.longitude_deg),
    )


def clock_steps_us(clock_us: Indices) -> Indices:
    """Differences of times of day from each to the next, in microseconds, the short way round midnight."""
    steps = np.diff(clock_us) % DAY_US
    return np.where(steps > DAY_US // 2, steps - DAY_US, steps)


def _clock_us(fixes: FixColumns) -> Indices:
    """The receiver's time of day of each epoch, or that of its UTC; -1 where neither is known."""
    by_utc = np.where(fixes.utc_us == NO_TIME, -1, fixes.utc_us % DAY_US)
    return np.where(fixes.time_of_day_us >= 0, fixes.time_of_day_us, by_utc)


def _steps_s(tick_us: Indices, clock_us: Indices, distrusted: Flags) -> Floats:
    by_tick = np.maximum(np.diff(tick_us), 0) / 1e6
    by_clock = clock_steps_us(clock_us) / 1e6
    known = (clock_us[1:] >= 0) & (clock_us[:-1] >= 0) & ~distrusted
    agree = known & (by_clock > 0) & (np.abs(by_clock - by_tick) <= _LATE_S + _RATE * by_tick)
    return np.where(agree, by_clock, by_tick)


def _step_m(latitude_deg: Floats, longitude_deg: Floats) -> float:
    """The coarsest usual step that all sampled positions are multiples of, as metres; 0 when there is none."""
    if not len(latitude_deg):
        return 0.0
    chosen = np.linspace(0, len(latitude_deg) - 1, min(_SAMPLE, len(latitude_deg))).astype(np.int64)
    sample = np.concatenate((latitude_deg[chosen], longitude_deg[chosen]))
    for step in _STEPS_DEG:
        turns = sample / step
        # A double near 180 has a rest of some 3e-14 degrees.
        if np.all(np.abs(turns - np.round(turns)) <= 1e-6 + 1e-13 / step):
            meridian, _ = radii_m(latitude_deg[:1])
            return float(meridian[0] * math.radians(step))
    return 0.0
