"""Figures of many values: spread, circular mean, scatter, climb."""

from __future__ import annotations

import math

import numpy as np

from offtake.track.analysis import Scatter, Spread
from offtake.track.contribution import full_circle_deg
from offtake.track.geodesy import Floats, mean_position, plane


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
    climb = descent = 0.0
    low = high = extreme = float(known[0])
    direction = 0
    for height in known.tolist():
        if direction == 0:
            low, high = min(low, height), max(high, height)
            if high - low > band_m:
                direction, extreme = (1, high) if height == high else (-1, low)
                climb += (high - low) if direction > 0 else 0.0
                descent += (high - low) if direction < 0 else 0.0
        elif (height - extreme) * direction > 0:
            climb += max(0.0, height - extreme)
            descent += max(0.0, extreme - height)
            extreme = height
        elif (extreme - height) * direction > band_m:
            climb += max(0.0, height - extreme)
            descent += max(0.0, extreme - height)
            direction, extreme = -direction, height
    return climb, descent
