"""Figures of many values: spread, circular mean, scatter, climb."""

from __future__ import annotations

import math

import numpy as np

from offtake.track.analysis import Scatter, Spread
from offtake.track.contribution import full_circle_deg
from offtake.track.geodesy import Floats, mean_position, plane

# Heights that are passed together where their order does not matter.
_BLOCK = 16


def spread(values: Floats) -> Spread | None:
    """Return the figures of the known (not nan) ``values``, ``None`` without any; quantiles by linear interpolation."""
    known = values[~np.isnan(values)]
    if not len(known):
        return None
    least, median, p95, greatest = (float(one) for one in np.quantile(known, (0.0, 0.5, 0.95, 1.0)))
    return Spread(len(known), least, median, float(known.mean()), p95, greatest)


def circular_mean(degrees: Floats) -> tuple[float | None, float | None]:
    """Return the mean direction in degrees, 0 up to 360, and the resultant length, 0 to 1, of known directions.

    ``None`` without any; the mean is ``None`` too where they cancel out.
    """
    known = np.radians(degrees[~np.isnan(degrees)])
    if not len(known):
        return None, None
    east, north = float(np.sin(known).mean()), float(np.cos(known).mean())
    length = min(1.0, math.hypot(east, north))
    return (full_circle_deg(math.degrees(math.atan2(east, north))) if length > 1e-9 else None), length


def scatter(latitude_deg: Floats, longitude_deg: Floats, time_s: Floats) -> Scatter:
    """Return the scatter of positions at rest (at least two), in the plane around their mean.

    Variances divide by n - 1; the drift is the least-squares line over ``time_s``.
    """
    at = mean_position(latitude_deg, longitude_deg)
    east, north = plane(latitude_deg, longitude_deg, at)
    # The mean of the plane's coordinates is within micrometres of the origin; taken out, the radii are about the mean.
    east, north = east - east.mean(), north - north.mean()
    covariance = np.cov(east, north)
    cep50, r95 = (float(one) for one in np.quantile(np.hypot(east, north), (0.5, 0.95)))
    drms = math.sqrt(float(covariance[0, 0] + covariance[1, 1]))
    return Scatter(
        fixes=len(east),
        latitude_deg=at[0],
        longitude_deg=at[1],
        variance_east_m2=float(covariance[0, 0]),
        variance_north_m2=float(covariance[1, 1]),
        covariance_m2=float(covariance[0, 1]),
        cep50_m=cep50,
        r95_m=r95,
        drms_m=drms,
        two_drms_m=2 * drms,
        drift_east_m_h=_slope(time_s, east) * 3600,
        drift_north_m_h=_slope(time_s, north) * 3600,
    )


def _slope(time_s: Floats, values: Floats) -> float:
    centred = time_s - time_s.mean()
    square = float(centred @ centred)
    return float(centred @ values) / square if square > 0 else 0.0


def climb_and_descent(heights_m: Floats, band_m: float) -> tuple[float | None, float | None]:
    """Return metres gained and lost over the known ``heights_m``; ``None`` without any.

    A height counts once it has left the last turning point by more than ``band_m``, and then in full: noise within the
    band adds nothing, and a climb is not shortened by it.
    """
    known = heights_m[~np.isnan(heights_m)]
    if not len(known):
        return None, None
    way = _Climb(float(known[0]), band_m)
    whole = len(known) // _BLOCK * _BLOCK
    blocks = known[:whole].reshape(-1, _BLOCK)
    for number, (lowest, highest) in enumerate(
        zip(blocks.min(axis=1).tolist(), blocks.max(axis=1).tolist(), strict=True)
    ):
        if not way.passes(lowest, highest):
            way.add(blocks[number].tolist())
    way.add(known[whole:].tolist())
    return way.climb, way.descent


class _Climb:
    """Climb and descent so far; ``low`` and ``high`` are of the heights before there is a direction, ``extreme`` is the
    last turning point's or what has been reached since."""

    def __init__(self, first_m: float, band_m: float) -> None:
        self.climb = self.descent = 0.0
        self._band_m = band_m
        self._low = self._high = self._extreme = first_m
        self._direction = 0

    def passes(self, lowest: float, highest: float) -> bool:
        """Take in heights of which only the bounds are known, unless their order matters: ``False`` then."""
        if self._direction == 0:
            low, high = min(self._low, lowest), max(self._high, highest)
            if high - low > self._band_m:
                return False
            self._low, self._high = low, high
            return True
        back, on = (lowest, highest) if self._direction > 0 else (highest, lowest)
        if highest - lowest > self._band_m or abs(self._extreme - back) > self._band_m:
            return False
        if (on - self._extreme) * self._direction > 0:
            self._go_to(on)
        return True

    def add(self, heights_m: list[float]) -> None:
        """Take in heights one by one."""
        for height in heights_m:
            if self._direction == 0:
                self._low, self._high = min(self._low, height), max(self._high, height)
                if self._high - self._low > self._band_m:
                    self._direction = 1 if height == self._high else -1
                    self._extreme = self._low if self._direction > 0 else self._high
                    self._go_to(height)
            elif (height - self._extreme) * self._direction > 0:
                self._go_to(height)
            elif (self._extreme - height) * self._direction > self._band_m:
                self._direction = -self._direction
                self._go_to(height)

    def _go_to(self, height: float) -> None:
        if height > self._extreme:
            self.climb += height - self._extreme
        else:
            self.descent += self._extreme - height
        self._extreme = height
