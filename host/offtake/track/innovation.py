"""How far each position lies from where the fix before it says it should, and how far it may.

The disagreement of a step is its displacement less what the reported speeds and courses at both ends give (trapezoid).
Its usual size is taken from the run itself by medians, which a few wild steps do not move: that is the robust part.
What may be added for manoeuvres is bounded by physics: between two epochs ``t`` apart the trapezoid is wrong by at most
``a t^2 / 4`` under an acceleration ``a``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from offtake.track.columns import Columns
from offtake.track.geodesy import Floats
from offtake.track.limits import Limits
from offtake.track.median import running_median
from offtake.track.ragged import Flags

# Median of the length of a normal vector in the plane, over its sigma an axis: sqrt(2 ln 2).
_MEDIAN_OF_RADIUS = math.sqrt(2 * math.log(2))
_NEAR_LEGS = 31
_SPEED_LEGS = 7
_WORST_FACTOR = 20.0


@dataclass(frozen=True)
class Innovation:
    """Per leg: the disagreement's components and size, the gate it must not pass (metres), the prediction, whether
    the leg crosses a gap, and whether reported speed and course made the prediction."""

    east_m: Floats
    north_m: Floats
    size_m: Floats
    gate_m: Floats
    predicted_east_m: Floats
    predicted_north_m: Floats
    over_gap: Flags
    by_report: Flags
    own_motion_m_s: tuple[Floats, Floats]


def innovation(columns: Columns, gap_s: float, limits: Limits) -> Innovation:
    """Compare every step of ``columns`` with its prediction; arrays of one element a leg, all finite."""
    seconds = columns.step_s
    over_gap: Flags = np.diff(columns.tick_us) > gap_s * 1e6
    own = _own_motion(columns, over_gap)
    east_m_s, north_m_s, by_report, slack = _reported(columns)
    hidden = _accelerations(columns, by_report, over_gap, limits)
    predicted_east = np.where(by_report, east_m_s, np.where(slack > 0, 0.0, own[0])) * seconds
    predicted_north = np.where(by_report, north_m_s, np.where(slack > 0, 0.0, own[1])) * seconds
    east, north = columns.legs.east_m - predicted_east, columns.legs.north_m - predicted_north
    # With a speed alone, the step may go anywhere as far as the speed takes it.
    size = np.hypot(east, north)
    left = np.divide(np.maximum(size - slack, 0.0), size, out=np.zeros_like(size), where=size > 0)
    east, north, size = east * left, north * left, size * left
    gate = np.maximum(_least(columns, limits), _noise(columns, size, over_gap, limits))
    gate = gate + 1.5 * columns.step_m + hidden * seconds**2
    reported = Innovation(east, north, size, gate, predicted_east, predicted_north, over_gap, by_report, own)
    return _with_impossible_motion(columns, reported, limits)


def _with_impossible_motion(columns: Columns, found: Innovation, limits: Limits) -> Innovation:
    """Judge legs by the motion around them instead, where the report agrees with a step that no vehicle makes."""
    seconds = columns.step_s
    own_east, own_north = found.own_motion_m_s[0] * seconds, found.own_motion_m_s[1] * seconds
    east, north = columns.legs.east_m - own_east, columns.legs.north_m - own_north
    size = np.hypot(east, north)
    gate = np.maximum(_least(columns, limits), _noise(columns, size, found.over_gap, limits))
    gate = gate + 1.5 * columns.step_m + limits.acceleration_m_s2 * seconds**2
    instead = found.by_report & ~found.over_gap & (size > gate) & (found.size_m <= found.gate_m)

    def chosen(new: Floats, old: Floats) -> Floats:
        return np.where(instead, new, old)

    return Innovation(
        chosen(east, found.east_m),
        chosen(north, found.north_m),
        chosen(size, found.size_m),
        chosen(gate, found.gate_m),
        chosen(own_east, found.predicted_east_m),
        chosen(own_north, found.predicted_north_m),
        found.over_gap,
        found.by_report & ~instead,
        found.own_motion_m_s,
    )


def _own_motion(columns: Columns, over_gap: Flags) -> tuple[Floats, Floats]:
    """Velocity east and north from the positions themselves: the median of the legs around."""
    usable = (columns.step_s > 0) & ~over_gap
    rates = []
    for part in (columns.legs.east_m, columns.legs.north_m):
        rate = np.divide(part, columns.step_s, out=np.zeros_like(part), where=usable)
        rates.append(running_median(rate, _SPEED_LEGS))
    return rates[0], rates[1]


def _reported(columns: Columns) -> tuple[Floats, Floats, Flags, Floats]:
    """Mean reported velocity of each leg's ends, whether both ends had speed and course, and what a speed alone
    allows in metres (0 where there is none)."""
    speed, course = columns.speed_m_s, np.radians(columns.course_deg)
    # At rest receivers leave the course out; a speed of nothing needs none.
    course = np.where(np.isnan(course) & (speed == 0), 0.0, course)
    east, north = speed * np.sin(course), speed * np.cos(course)
    mean_east, mean_north = (east[1:] + east[:-1]) / 2, (north[1:] + north[:-1]) / 2
    by_report: Flags = np.isfinite(mean_east)
    fastest = np.fmax(speed[1:], speed[:-1])
    slack = np.where(by_report | np.isnan(fastest), 0.0, fastest * columns.step_s)
    return np.nan_to_num(mean_east), np.nan_to_num(mean_north), by_report, slack


def _accelerations(columns: Columns, by_report: Flags, over_gap: Flags, limits: Limits) -> Floats:
    """The factor of ``t^2`` in the gate, in m/s^2."""
    change = np.nan_to_num(_velocity_change(columns))
    rate = np.divide(change, columns.step_s, out=np.zeros_like(change), where=columns.step_s > 0)
    shown = np.minimum(limits.acceleration_m_s2, limits.hidden_acceleration_m_s2 + 2 * rate)
    shown = np.where(over_gap, limits.acceleration_m_s2, shown)
    # Without a reported speed the prediction is that of the legs around: the whole change may lie within the leg.
    told = by_report | np.isfinite(np.diff(columns.speed_m_s))
    return np.where(told, shown / 4, limits.acceleration_m_s2)


def _velocity_change(columns: Columns) -> Floats:
    """How much the reported velocity changes over each leg, in m/s; without a course, the speed alone; else nan."""
    course = np.radians(columns.course_deg)
    east, north = columns.speed_m_s * np.sin(course), columns.speed_m_s * np.cos(course)
    change = np.hypot(np.diff(east), np.diff(north))
    return np.where(np.isnan(change), np.abs(np.diff(columns.speed_m_s)), change)


def _least(columns: Columns, limits: Limits) -> Floats:
    """The least step worth a line at each leg, by the worse of its two ends."""
    stated = np.clip(columns.accuracy_m * limits.jump_accuracies, *limits.jump_stated_m)
    least = np.where(np.isnan(stated), limits.jump_least_m, stated)
    return np.maximum(least[1:], least[:-1])


def _noise(columns: Columns, size: Floats, over_gap: Flags, limits: Limits) -> Floats:
    """The noise's part of the gate: from the run's medians, widened by poor dilution and accuracy and after gaps."""
    if not len(size):
        return size
    near = running_median(size, _NEAR_LEGS)
    factor = np.maximum(_worse(columns.hdop), _worse(columns.accuracy_m))
    # The legs around have the same dilution, so their own noise shows it; the run's usual noise has to be scaled.
    sigma = np.maximum(near, np.median(size) * np.maximum(factor[1:], factor[:-1])) / _MEDIAN_OF_RADIUS
    noise = limits.noise_factor * sigma * np.where(over_gap, limits.after_gap_factor, 1.0)
    return np.asarray(np.minimum(noise, limits.noise_most_m))


def _worse(values: Floats) -> Floats:
    """How many times each value is the run's usual one, at least 1 and at most some twenty; 1 where not said."""
    known = values[~np.isnan(values)]
    usual = float(np.median(known)) if len(known) else 0.0
    if usual <= 0:
        return np.ones_like(values)
    return np.clip(np.nan_to_num(values / usual, nan=1.0), 1.0, _WORST_FACTOR)
