"""A sky to invent recordings under: circular orbits of three systems over one place far out on an ocean."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LATITUDE_DEG, LONGITUDE_DEG = -47.3, -118.6
EARTH_KM = 6371.0
SIDEREAL_DAY_S = 86_164.09
# Planes, satellites a plane, orbit's radius in km, inclination in degrees, period in s: rounded figures of the systems'
# public descriptions, from memory; a sky of the right kind is all that is needed.
SYSTEMS = {
    "gps": (6, 5, 26_560.0, 55.0, 43_082.0),
    "galileo": (3, 8, 29_600.0, 56.0, 50_685.0),
    "glonass": (3, 8, 25_508.0, 64.8, 40_544.0),
}


@dataclass(frozen=True)
class Directions:
    """Where one system's satellites stand; arrays of (satellite, time), degrees."""

    system: str
    elevation_deg: Floats
    azimuth_deg: Floats


def directions(system: str, time_s: Floats) -> Directions:
    """All satellites of ``system`` at ``time_s`` seconds of an arbitrary clock."""
    planes, each, radius, inclination, period = SYSTEMS[system]
    number = np.arange(planes * each)
    node = (2 * math.pi / planes) * (number // each)[:, None]
    phase = (2 * math.pi / each) * (number % each)[:, None] + (0.4 * (number // each))[:, None]
    along = phase + 2 * math.pi * time_s[None, :] / period
    tilt = math.radians(inclination)
    # The node runs backwards as the earth turns under it.
    node = node - 2 * math.pi * time_s[None, :] / SIDEREAL_DAY_S
    x = radius * (np.cos(node) * np.cos(along) - np.sin(node) * np.sin(along) * math.cos(tilt))
    y = radius * (np.sin(node) * np.cos(along) + np.cos(node) * np.sin(along) * math.cos(tilt))
    z = radius * np.sin(along) * math.sin(tilt)
    lat, lon = math.radians(LATITUDE_DEG), math.radians(LONGITUDE_DEG)
    up = np.array([math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)])
    east = np.array([-math.sin(lon), math.cos(lon), 0.0])
    north = np.cross(up, east)
    dx, dy, dz = x - EARTH_KM * up[0], y - EARTH_KM * up[1], z - EARTH_KM * up[2]
    far = np.sqrt(dx**2 + dy**2 + dz**2)
    parts = [(dx * one[0] + dy * one[1] + dz * one[2]) / far for one in (up, east, north)]
    return Directions(system, np.degrees(np.arcsin(parts[0])), np.degrees(np.arctan2(parts[1], parts[2])) % 360.0)
