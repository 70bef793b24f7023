"""Where the invented vehicle is at each epoch, as the whole numbers that its receiver says."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from bench_layout import STRETCH_S, Longs
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FIRST_UTC_S = 1_778_846_400
"""2026-05-15T12:00:00Z, a whole ten seconds."""
_GPS_EPOCH_S = 315_964_800
_LEAP_S = 18
_WEEK_MS = 604_800_000
_LATITUDE_DEG, _LONGITUDE_DEG = 30.0, 40.0
"""North and west: open ocean."""
_METRES_PER_DEGREE = 111_320.0
_RADIUS_M, _TURN_RAD_S, _SWING_RAD, _SWING_RAD_S = 3_000.0, 0.002, 1.0, 0.0008
_KNOTS = 3600.0 / 1852.0


class Moments:
    """The numbers of k stretches' epochs by name, each shape (k, epochs); worked out when asked for."""

    def __init__(self, stretches: Longs, rate_hz: int, seed: int) -> None:
        self._stretches, self._rate_hz, self._seed = stretches, rate_hz, seed
        self._known: dict[str, Longs] = {}
        self._makers: dict[str, Any] = {
            "latitude": lambda: self._whole(self._north * 60e5),
            "longitude": lambda: self._whole(self._west * 60e5),
            "latitude_e7": lambda: self._whole(self._north * 1e7),
            "longitude_e7": lambda: -self._whole(self._west * 1e7),
            "altitude_dm": lambda: self._whole(self._height * 10.0),
            "altitude_mm": lambda: self._whole(self._height * 1e3),
            "height_mm": lambda: self["altitude_mm"] + 47_100,
            "milliknots": lambda: self._whole(self._speed * _KNOTS * 1e3),
            "metres_an_hour": lambda: self._whole(self._speed * 3600.0),
            "speed_mm_s": lambda: self._whole(self._speed * 1e3),
            "north_mm_s": lambda: self._whole(self._speed * np.cos(self._course) * 1e3),
            "east_mm_s": lambda: self._whole(self._speed * np.sin(self._course) * 1e3),
            "centidegrees": lambda: self._whole(np.degrees(self._course) % 360.0 * 100.0) % 36_000,
            "course_e5": lambda: self._whole(np.degrees(self._course) % 360.0 * 1e5) % 36_000_000,
            "second": lambda: self._of_stretch(self._utc_s % 60) + self._epochs // self._rate_hz,
            "time_of_week_ms": lambda: self._time_of_week_ms,
        }

    def __getitem__(self, name: str) -> Longs:
        known = self._known.get(name)
        if known is None:
            known = self._known[name] = self._made(name)
        return known

    def _made(self, name: str) -> Longs:
        if name in self._makers:
            return np.asarray(self._makers[name](), dtype=np.int64)
        if name in _SPLIT:
            of, above, below = _SPLIT[name]
            return self[of] // below % above
        if name.startswith("cn0_dbhz_"):
            return 36 + self[f"cn0_{name[-1]}"]
        if name.startswith("cn0_"):
            # Four decibels of play: the strengths of neighbouring epochs are neither the same nor far apart.
            mixed = self._stretches[:, np.newaxis] * 7 + self._epochs * 3 + int(name[-1]) * 5 + self._seed
            return np.asarray(mixed * mixed // 5 % 4 + 3, dtype=np.int64)
        return self._of_stretch(self._dates[name])

    def _whole(self, values: Floats) -> Longs:
        return np.rint(values).astype(np.int64)

    def _of_stretch(self, values: Longs) -> Longs:
        return np.repeat(values[:, np.newaxis], len(self._epochs), axis=1)

    @cached_property
    def _epochs(self) -> Longs:
        return np.arange(STRETCH_S * self._rate_hz)

    @cached_property
    def _utc_s(self) -> Longs:
        return np.asarray(FIRST_UTC_S + self._stretches * STRETCH_S, dtype=np.int64)

    @cached_property
    def _time_of_week_ms(self) -> Longs:
        start = (self._utc_s - _GPS_EPOCH_S + _LEAP_S) * 1000
        return np.asarray((start[:, np.newaxis] + self._epochs * 1000 // self._rate_hz) % _WEEK_MS, dtype=np.int64)

    @cached_property
    def _dates(self) -> dict[str, Longs]:
        days = self._utc_s // 86_400
        dates = days.astype("datetime64[D]")
        years = dates.astype("datetime64[Y]").astype(np.int64) + 1970
        months = dates.astype("datetime64[M]").astype(np.int64) % 12 + 1
        day = (dates - dates.astype("datetime64[M]")).astype(np.int64) + 1
        of_day = self._utc_s % 86_400
        return {
            "year": years,
            "month": months,
            "day": day,
            "date": day * 10_000 + months * 100 + years % 100,
            "hour": of_day // 3600,
            "minute": of_day // 60 % 60,
            "ten_seconds": of_day // 10 % 6,
        }

    # A circle on which the speed swings, so that place, speed and course agree with one another.

    @cached_property
    def _at_s(self) -> Floats:
        return np.asarray(self._stretches[:, np.newaxis] * float(STRETCH_S) + self._epochs / self._rate_hz)

    @cached_property
    def _angle(self) -> Floats:
        return np.asarray(_TURN_RAD_S * self._at_s + _SWING_RAD * np.sin(_SWING_RAD_S * self._at_s))

    @cached_property
    def _speed(self) -> Floats:
        swing = _SWING_RAD * _SWING_RAD_S * np.cos(_SWING_RAD_S * self._at_s)
        return np.asarray(_RADIUS_M * (_TURN_RAD_S + swing))

    @cached_property
    def _course(self) -> Floats:
        """From north, east positive. The angle counts from north too, so the way is a right angle ahead of it."""
        return self._angle + np.pi / 2.0

    @cached_property
    def _north(self) -> Floats:
        return _LATITUDE_DEG + _RADIUS_M / _METRES_PER_DEGREE * np.cos(self._angle)

    @cached_property
    def _west(self) -> Floats:
        stretch = _METRES_PER_DEGREE * np.cos(np.radians(_LATITUDE_DEG))
        return np.asarray(_LONGITUDE_DEG - _RADIUS_M / stretch * np.sin(self._angle))

    @cached_property
    def _height(self) -> Floats:
        return 250.0 + 100.0 * np.sin(self._at_s / 500.0)


_SPLIT = {
    "latitude_deg": ("latitude", 100, 6_000_000),
    "latitude_min": ("latitude", 60, 100_000),
    "latitude_frac": ("latitude", 100_000, 1),
    "longitude_deg": ("longitude", 1000, 6_000_000),
    "longitude_min": ("longitude", 60, 100_000),
    "longitude_frac": ("longitude", 100_000, 1),
    "altitude": ("altitude_dm", 1000, 10),
    "altitude_frac": ("altitude_dm", 10, 1),
    "knots": ("milliknots", 100, 1000),
    "knots_frac": ("milliknots", 1000, 1),
    "kmh": ("metres_an_hour", 100, 1000),
    "kmh_frac": ("metres_an_hour", 1000, 1),
    "course": ("centidegrees", 360, 100),
    "course_frac": ("centidegrees", 100, 1),
}
"""Parts of a number as text shows them: of which, and the part's modulus and divisor."""


def moments_of(stretches: Longs, rate_hz: int, seed: int) -> Moments:
    """The numbers of the epochs of ``stretches`` (10 s each, counted from :data:`FIRST_UTC_S`)."""
    return Moments(stretches, rate_hz, seed)
