"""A track's fixes as arrays, for what is computed over all of them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.track.contribution import DAY_US
from offtake.track.fix import Fix, Track
from offtake.track.geodesy import Floats, Legs, legs, radii_m

Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

# Where the receiver's times and the ticks disagree by more, the ticks tell how much time passed: output comes late by
# less, and a resonator's error is below 1 %.
_LATE_S = 1.0
_RATE = 0.01
_EPOCH_UTC = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
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
    ticks = np.array([fix.tick_us for fix in fixes], dtype=np.int64)
    clock = np.array([_clock_us(fix) for fix in fixes], dtype=np.int64)
    steps = np.diff(ticks)
    steps = steps[steps > 0]
    interval = float(np.median(steps)) / 1e6 if len(steps) else None
    has_position = np.array([fix.has_position for fix in fixes], dtype=bool)
    whole = interval is not None and interval < 0.9 and not np.any(clock[clock >= 0] % 1_000_000)
    return Epochs(ticks, clock, has_position, interval, whole)


def columns_of(track: Track, distrusted: Flags) -> Columns:
    """Return the positions of ``track`` as arrays.

    ``distrusted`` says for each epoch that the receiver's time does not tell how much passed since the one before.
    """
    fixes = [(number, fix) for number, fix in enumerate(track.fixes) if fix.has_position]
    kept = [fix for _, fix in fixes]
    ticks = np.array([fix.tick_us for fix in kept], dtype=np.int64)
    latitude = _floats([fix.latitude_deg for fix in kept])
    longitude = _floats([fix.longitude_deg for fix in kept])
    index = np.array([number for number, _ in fixes], dtype=np.int64)
    before = np.cumsum(distrusted)[index]
    step_s = _steps_s(ticks, np.array([_clock_us(fix) for fix in kept], dtype=np.int64), np.diff(before) > 0)
    # One kind of height for the whole run: the two differ by the geoid's height.
    above_sea = any(fix.altitude_m is not None for fix in kept)
    heights = [fix.altitude_m if above_sea else fix.height_m for fix in kept]
    return Columns(
        run=track.run,
        index=index,
        tick_us=ticks,
        latitude_deg=latitude,
        longitude_deg=longitude,
        speed_m_s=_floats([fix.speed_m_s for fix in kept]),
        course_deg=_floats([fix.course_deg for fix in kept]),
        height_m=_floats(heights),
        hdop=_floats([fix.hdop for fix in kept]),
        accuracy_m=_floats([fix.horizontal_accuracy_m for fix in kept]),
        step_s=step_s,
        time_s=np.concatenate(([0.0], np.cumsum(step_s)))[: len(kept)],
        legs=legs(latitude, longitude),
        step_m=_step_m(latitude, longitude),
    )


def clock_steps_us(clock_us: Indices) -> Indices:
    """Differences of times of day from each to the next, in microseconds, the short way round midnight."""
    steps = np.diff(clock_us) % DAY_US
    return np.where(steps > DAY_US // 2, steps - DAY_US, steps)


def _clock_us(fix: Fix) -> int:
    if fix.time_of_day_us is not None:
        return fix.time_of_day_us
    if fix.utc is not None:
        return (fix.utc - _EPOCH_UTC) // dt.timedelta(microseconds=1) % DAY_US
    return -1


def _floats(values: Sequence[float | None]) -> Floats:
    return np.array([math.nan if value is None else value for value in values], dtype=np.float64)


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
