"""The dilution that a sky offers, by its geometry alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np


def horizontal_dilution(systems: Sequence[str], directions: Sequence[tuple[Any, Any]]) -> float:
    """Return the horizontal dilution of precision of satellites in ``directions`` (elevation and azimuth in degrees);
    nan where they are too few.

    Each of the ``systems`` has its own clock to be solved for. All satellites count alike. From memory: the square root
    of the trace of the east-north part of the inverse normal matrix.
    """
    names = sorted(set(systems))
    if len(directions) < 3 + len(names):
        return math.nan
    elevation, azimuth = np.radians(np.array(directions, np.float64)).T
    clocks = np.array([[float(system == name) for name in names] for system in systems])
    level = np.cos(elevation)
    design = np.column_stack((level * np.sin(azimuth), level * np.cos(azimuth), np.sin(elevation), clocks))
    normal = design.T @ design
    if np.linalg.cond(normal) > 1e8:
        return math.nan
    inverse = np.linalg.inv(normal)
    return float(math.sqrt(inverse[0, 0] + inverse[1, 1]))
