"""Which positions belong to moving stretches and which to stays."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from offtake.track.columns import Columns
from offtake.track.geodesy import Floats
from offtake.track.limits import Limits
from offtake.track.median import running_median
from offtake.track.ragged import Flags

# A second or two of speed noise is no motion.
_SMOOTH_S = 3.0
# Positions this far before and after give the speed where none is reported: receiver noise over it is some 0.2 m/s.
_HALF_WINDOW_S = 4.0
_WIDEST = 301
# A stay whose first and last seconds lie further apart than this, and than four accuracies, was slow motion.
_DRIFT_ENDS_S = 10.0
_DRIFT_M = 20.0
_DRIFT_M_S = 0.1

Part = tuple[int, int, bool]
"""First and last position (into the columns, both included), and whether it moves."""


def split_motion(columns: Columns, over_gap: Flags, wild: Flags, interval_s: float, limits: Limits) -> list[Part]:
    """Return the stretches of all positions, in order; none reaches over a gap.

    Speed with hysteresis decides, then displacement: a moving stretch must get somewhere and a stay must not. Where
    all between two gaps is of one kind, it stays so, however short.
    ``wild`` legs (glitches) count for no displacement.
    """
    if not len(columns):
        return []
    east = _along(np.where(wild, 0.0, columns.legs.east_m))
    north = _along(np.where(wild, 0.0, columns.legs.north_m))
    width = min(2 * max(1, round(_SMOOTH_S / interval_s / 2)) + 1, _WIDEST)
    parts: list[Part] = []
    edges = [0, *(np.flatnonzero(over_gap) + 1).tolist(), len(columns)]
    for start, end in pairwise(edges):
        speed = running_median(_speed(columns, east, north, slice(start, end)), width)
        found = [(start + first, start + last, moving) for first, last, moving in _by_speed(speed, limits)]
        if len(found) > 1:
            found = _merged([_settle_moving(part, columns, east, north, limits) for part in found])
        if len(found) > 1:
            found = _merged([_settle_short_stay(part, columns, limits) for part in found])
        parts += _merged([_settle_drift(part, columns, east, north) for part in found])
    return parts


def _along(steps: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum(steps)))


def _speed(columns: Columns, east: Floats, north: Floats, part: slice) -> Floats:
    """Speed in m/s of the positions of ``part``: reported, or by how far those around lie apart."""
    seconds, reported = columns.time_s[part], columns.speed_m_s[part]
    if not np.any(np.isnan(reported)):
        return reported
    before = np.searchsorted(seconds, seconds - _HALF_WINDOW_S)
    after = np.minimum(np.searchsorted(seconds, seconds + _HALF_WINDOW_S), len(seconds) - 1)
    elapsed = seconds[after] - seconds[before]
    way = np.hypot(east[part][after] - east[part][before], north[part][after] - north[part][before])
    by_position = np.divide(way, elapsed, out=np.zeros_like(way), where=elapsed > 0)
    return np.where(np.isnan(reported), by_position, reported)


def _by_speed(speed: Floats, limits: Limits) -> list[Part]:
    """Above the one limit it moves, from the other one down it does not, and between them it goes on as it was."""
    told = (speed > limits.moving_m_s) | (speed <= limits.still_m_s)
    last_told = np.maximum.accumulate(np.where(told, np.arange(len(speed)), -1))
    moving = (last_told >= 0) & (speed[last_told] > limits.moving_m_s)
    edges = [0, *(np.flatnonzero(moving[1:] != moving[:-1]) + 1).tolist(), len(speed)]
    return [(first, stop - 1, bool(moving[first])) for first, stop in pairwise(edges)]


def _settle_moving(part: Part, columns: Columns, east: Floats, north: Floats, limits: Limits) -> Part:
    first, last, moving = part
    if moving:
        inside = slice(first, last + 1)
        reach = float(np.hypot(east[inside] - east[first], north[inside] - north[first]).max())
        if columns.time_s[last] - columns.time_s[first] < limits.moving_least_s or reach < limits.moving_least_m:
            return first, last, False
    return part


def _settle_short_stay(part: Part, columns: Columns, limits: Limits) -> Part:
    first, last, moving = part
    short = columns.time_s[last] - columns.time_s[first] < limits.still_least_s
    return (first, last, True) if not moving and short else part


def _settle_drift(part: Part, columns: Columns, east: Floats, north: Floats) -> Part:
    first, last, moving = part
    seconds = float(columns.time_s[last] - columns.time_s[first])
    if moving or seconds < 3 * _DRIFT_ENDS_S:
        return part
    head = slice(first, int(np.searchsorted(columns.time_s, columns.time_s[first] + _DRIFT_ENDS_S, "right")))
    tail = slice(int(np.searchsorted(columns.time_s, columns.time_s[last] - _DRIFT_ENDS_S)), last + 1)
    way = float(np.hypot(east[tail].mean() - east[head].mean(), north[tail].mean() - north[head].mean()))
    accuracy = columns.accuracy_m[first : last + 1]
    least = max(_DRIFT_M, 4 * float(np.nanmedian(accuracy)) if np.any(np.isfinite(accuracy)) else 0.0)
    return (first, last, True) if way > least and way / seconds > _DRIFT_M_S else part


def _merged(parts: list[Part]) -> list[Part]:
    merged: list[Part] = []
    for first, last, moving in parts:
        if merged and merged[-1][2] == moving:
            merged[-1] = (merged[-1][0], last, moving)
        else:
            merged.append((first, last, moving))
    return merged
