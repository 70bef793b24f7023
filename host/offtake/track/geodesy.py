"""Lengths and directions on the WGS84 ellipsoid, for many positions at once."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]
from numpy.typing import NDArray

Floats = NDArray[np.float64]

A_M = 6378137.0
"""WGS84 semi-major axis in metres (published; see the tests)."""
FLATTENING = 1 / 298.257223563
_E2 = FLATTENING * (2 - FLATTENING)

# Up to here the radii of curvature at the leg's middle give its length within 0.2 mm (tests hold it against
# geographiclib); longer or more polar legs are computed one by one.
_SHORT_M = 1000.0
_POLAR_DEG = 85.0


class Legs(NamedTuple):
    """The ways from each position to the next: n-1 of n, in metres; ``east_m`` and ``north_m`` are its components in
    the direction halfway between those it starts and ends with."""

    length_m: Floats
    east_m: Floats
    north_m: Floats


def radii_m(latitude_deg: Floats) -> tuple[Floats, Floats]:
    """Radii of curvature in metres at each latitude: in the meridian and in the prime vertical."""
    root = 1 - _E2 * np.sin(np.radians(latitude_deg)) ** 2
    prime = A_M / np.sqrt(root)
    return prime * (1 - _E2) / root, prime


def legs(latitude_deg: Floats, longitude_deg: Floats) -> Legs:
    """Return the geodesics from each position to the next (arrays of one length, degrees, finite); 180 degrees
    of longitude are crossed the short way."""
    middle = (latitude_deg[1:] + latitude_deg[:-1]) / 2
    turn = np.diff(longitude_deg)
    turn -= 360.0 * np.round(turn / 360.0)
    meridian, prime = radii_m(middle)
    north = meridian * np.radians(np.diff(latitude_deg))
    east = prime * np.cos(np.radians(middle)) * np.radians(turn)
    length = np.hypot(east, north)
    for index in np.flatnonzero((length > _SHORT_M) | (np.abs(middle) > _POLAR_DEG)):
        found = Geodesic.WGS84.Inverse(
            float(latitude_deg[index]), float(longitude_deg[index]),
            float(latitude_deg[index + 1]), float(longitude_deg[index + 1]),
            Geodesic.DISTANCE | Geodesic.AZIMUTH,
        )  # fmt: skip
        length[index] = found["s12"]
        turned = (found["azi2"] - found["azi1"] + 180.0) % 360.0 - 180.0
        azimuth = math.radians(found["azi1"] + turned / 2)
        east[index], north[index] = found["s12"] * math.sin(azimuth), found["s12"] * math.cos(azimuth)
    return Legs(length, east, north)


def plane(latitude_deg: Floats, longitude_deg: Floats, at_deg: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return east and north in metres of each position, seen from ``at_deg`` (latitude, longitude).

    Meant for the neighbourhood: within 1 km of ``at_deg`` and 85 degrees of the equator lengths are right to 1 mm.
    """
    turn = longitude_deg - at_deg[1]
    turn = turn - 360.0 * np.round(turn / 360.0)
    middle = (latitude_deg + at_deg[0]) / 2
    meridian, prime = radii_m(middle)
    east = prime * np.cos(np.radians(middle)) * np.radians(turn)
    return east, meridian * np.radians(latitude_deg - at_deg[0])


def mean_position(latitude_deg: Floats, longitude_deg: Floats) -> tuple[float, float]:
    """Return the mean of positions that lie together, in degrees; 180 degrees of longitude are no edge."""
    turn = longitude_deg - longitude_deg[0]
    turn = turn - 360.0 * np.round(turn / 360.0)
    longitude = float(longitude_deg[0] + turn.mean())
    if abs(longitude) > 180:
        longitude -= 360.0 * round(longitude / 360.0)
    return float(latitude_deg.mean()), longitude
