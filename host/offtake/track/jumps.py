"""Position jumps and speeds that do not fit: steps whose disagreement passes its gate."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from offtake.track.columns import Columns
from offtake.track.finding import Finding, fixes_text, metres_text, seconds_text
from offtake.track.geodesy import Floats
from offtake.track.innovation import Innovation
from offtake.track.limits import Limits
from offtake.track.ragged import Flags, Indices

# A return is one when what is left of the jump is less than this share of it.
_LEFT_OVER = 0.35
# So many wild steps are looked through for a return; a stream that is wild all over costs no more.
_STEPS_SEARCHED = 50
# Wild steps this close together, in legs, are one lasting jump.
_NEAR_LEGS = 3


class _Group(NamedTuple):
    """Wild legs ``first`` to ``last`` (into the columns' legs); ``returned`` when the positions came back."""

    first: int
    last: int
    returned: bool


def find_jumps(columns: Columns, found: Innovation, explained: Flags, limits: Limits) -> list[Finding]:
    """Return jumps, each with its return if it has one, and steps at which the speed must be wrong.

    ``explained`` legs (of frozen output) are passed over.
    """
    wild = np.flatnonzero((found.size_m > found.gate_m) & ~explained)
    findings = []
    for group in _groups(columns, found, wild, limits):
        legs = slice(group.first, group.last + 1)
        if _speed_is_wrong(columns, found, legs, limits):
            findings.append(_mismatch(columns, found, group))
        else:
            findings.append(_jump(columns, found, group))
    return findings


def _groups(columns: Columns, found: Innovation, wild: Indices, limits: Limits) -> list[_Group]:
    groups: list[_Group] = []
    at = 0
    while at < len(wild):
        end = _find_return(columns, found, wild, at, limits)
        returned = end is not None
        if end is None:
            end = at
            while end + 1 < len(wild) and wild[end + 1] - wild[end] <= _NEAR_LEGS:
                end += 1
        groups.append(_Group(int(wild[at]), int(wild[end]), returned))
        at = end + 1
    return groups


def _find_return(columns: Columns, found: Innovation, wild: Indices, at: int, limits: Limits) -> int | None:
    """Which later wild step undoes the one at place ``at`` of ``wild``, if any does in time."""
    start = wild[at]
    east, north, greatest = 0.0, 0.0, 0.0
    for place in range(at, min(at + _STEPS_SEARCHED, len(wild))):
        leg = wild[place]
        if columns.time_s[leg] - columns.time_s[start] > limits.return_s:
            return None
        east, north = east + float(found.east_m[leg]), north + float(found.north_m[leg])
        left = float(np.hypot(east, north))
        greatest = max(greatest, left)
        tolerance = max(float(found.gate_m[start]), float(found.gate_m[leg]), _LEFT_OVER * greatest)
        if place > at and left <= tolerance:
            return place
    return None


def _speed_is_wrong(columns: Columns, found: Innovation, legs: slice, limits: Limits) -> bool:
    """Whether the positions go on as around these legs, so that it is the reported speed that does not fit."""
    if not np.all(found.by_report[legs]) or np.any(found.over_gap[legs]):
        return False
    seconds = columns.step_s[legs]
    rest = np.hypot(
        columns.legs.east_m[legs] - found.own_motion_m_s[0][legs] * seconds,
        columns.legs.north_m[legs] - found.own_motion_m_s[1][legs] * seconds,
    )
    smooth = np.maximum(limits.jump_least_m, 0.25 * found.size_m[legs]) + 1.5 * columns.step_m
    return bool(np.all(rest <= smooth))


def _mismatch(columns: Columns, found: Innovation, group: _Group) -> Finding:
    legs = slice(group.first, group.last + 1)
    seconds = float(columns.step_s[legs].sum())
    moved, reported = _ways(columns, found, legs)
    speeds = columns.speed_m_s[group.first : group.last + 2]
    return Finding(
        "speed_mismatch",
        int(columns.index[group.first]),
        int(columns.index[group.last + 1]),
        (
            ("moved_m", moved),
            ("reported_m", reported),
            ("duration_s", seconds),
            ("speed_greatest_m_s", float(np.nanmax(speeds))),
        ),
        f"The reported speed, up to {np.nanmax(speeds):.1f} m/s, makes {metres_text(reported)} in "
        f"{seconds_text(seconds)}; the positions moved {metres_text(moved)}.",
    )


def _jump(columns: Columns, found: Innovation, group: _Group) -> Finding:
    legs = slice(group.first, group.last + 1)
    peak = group.first + int(np.argmax(found.size_m[legs]))
    size, gate = float(found.size_m[peak]), float(found.gate_m[peak])
    moved = float(columns.legs.length_m[peak])
    expected = float(np.hypot(found.predicted_east_m[peak], found.predicted_north_m[peak]))
    seconds = float(columns.step_s[peak])
    evidence = [
        ("moved_m", moved),
        ("expected_m", expected),
        ("disagreement_m", size),
        ("allowed_m", gate),
        ("step_s", seconds),
    ]
    if seconds > 0:
        evidence.append(("implied_speed_m_s", moved / seconds))
    by = "the reported speed" if found.by_report[peak] else "the motion before and after"
    text = (
        f"The position moved {metres_text(moved)} in {seconds_text(seconds)} where {by} makes "
        f"{metres_text(expected)}, at most {metres_text(gate)} off"
    )
    if group.returned:
        # Leg j joins positions j and j + 1, so the positions away are those between the two legs.
        away = float(columns.time_s[group.last + 1] - columns.time_s[group.first + 1])
        evidence.append(("away_s", away))
        text += f"; it came back after {fixes_text(group.last - group.first)} ({seconds_text(away)})."
        last = group.last
    else:
        text += "; it did not come back."
        last = group.last if group.last > group.first else group.first + 1
    return Finding(
        "jump",
        int(columns.index[group.first + 1]),
        int(columns.index[max(last, group.first + 1)]),
        tuple(evidence),
        text,
        suspect=group.returned,
        lasting=not group.returned,
    )


def _ways(columns: Columns, found: Innovation, legs: slice) -> tuple[float, float]:
    """Metres along ``legs``: by the positions and by the reported speed and course, both as the bird flies."""
    moved = np.hypot(columns.legs.east_m[legs].sum(), columns.legs.north_m[legs].sum())
    reported = np.hypot(found.predicted_east_m[legs].sum(), found.predicted_north_m[legs].sum())
    return float(moved), float(reported)


def find_mismatches(columns: Columns, found: Innovation, explained: Flags, limits: Limits) -> list[Finding]:
    """Return stretches in which the positions leave the way that speed and course report, without any single jump.

    Compared over ``limits.mismatch_s`` seconds, within stretches without gaps and without ``explained`` legs; their
    usual disagreement is the run's own median over such windows.
    """
    usable = found.by_report & ~found.over_gap & ~explained
    starts, ends = _windows(columns, usable, limits.mismatch_s)
    if not len(starts):
        return []

    def over(values: Floats) -> Floats:
        sums = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(sums[ends] - sums[starts])

    left = np.hypot(over(found.east_m), over(found.north_m))
    moved = np.hypot(over(columns.legs.east_m), over(columns.legs.north_m))
    reported = np.hypot(over(found.predicted_east_m), over(found.predicted_north_m))
    sigma = float(np.median(left)) / np.sqrt(2 * np.log(2))
    noise = np.minimum(limits.noise_factor * sigma, 10.0 + 0.3 * np.maximum(moved, reported))
    gate = np.maximum(limits.mismatch_m, noise) * _worst_dilution(columns, starts, ends)
    gate = gate + limits.speed_lag_s * _velocity_change(columns, starts, ends)
    findings = []
    bad = np.flatnonzero(left > gate)
    for group in _overlapping(bad, starts, ends):
        worst = group[int(np.argmax(left[group] / gate[group]))]
        seconds = float(columns.time_s[ends[worst]] - columns.time_s[starts[worst]])
        findings.append(
            Finding(
                "speed_mismatch",
                int(columns.index[starts[group[0]]]),
                int(columns.index[ends[group[-1]]]),
                (
                    ("moved_m", float(moved[worst])),
                    ("reported_m", float(reported[worst])),
                    ("disagreement_m", float(left[worst])),
                    ("allowed_m", float(gate[worst])),
                    ("duration_s", seconds),
                ),
                f"Within {seconds_text(seconds)} the positions moved {metres_text(float(moved[worst]))} where speed "
                f"and course make {metres_text(float(reported[worst]))}; the two end "
                f"{metres_text(float(left[worst]))} apart.",
            )
        )
    return findings


def _velocity_change(columns: Columns, starts: Indices, ends: Indices) -> Floats:
    """How much the reported velocity differs between the windows' ends, in m/s: a late speed is off by as much of the
    way as it is late."""
    course = np.radians(columns.course_deg)
    east = np.nan_to_num(columns.speed_m_s * np.sin(course))
    north = np.nan_to_num(columns.speed_m_s * np.cos(course))
    return np.asarray(np.hypot(east[ends] - east[starts], north[ends] - north[starts]))


def _windows(columns: Columns, usable: Flags, seconds: float) -> tuple[Indices, Indices]:
    """Starts and ends (positions) of the windows that last ``seconds`` and hold usable legs only."""
    if not np.any(usable):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    starts = np.flatnonzero(usable).astype(np.int64)
    ends = np.searchsorted(columns.time_s, columns.time_s[starts] + seconds - 1e-6).astype(np.int64)
    bad = np.concatenate(([0], np.cumsum(~usable)))
    inside = ends < len(columns)
    starts, ends = starts[inside], ends[inside]
    whole = (bad[ends] - bad[starts] == 0) & (ends > starts)
    return starts[whole], ends[whole]


def _worst_dilution(columns: Columns, starts: Indices, ends: Indices) -> Floats:
    known = columns.hdop[~np.isnan(columns.hdop)]
    usual = float(np.median(known)) if len(known) else 0.0
    if usual <= 0:
        return np.ones(len(starts))
    factor = np.clip(np.nan_to_num(columns.hdop / usual, nan=1.0), 1.0, 20.0)
    return np.maximum(factor[starts], factor[ends])


def _overlapping(bad: Indices, starts: Indices, ends: Indices) -> list[Indices]:
    """Parts of ``bad`` windows that overlap in a row."""
    if not len(bad):
        return []
    apart = np.flatnonzero(starts[bad[1:]] > ends[bad[:-1]]) + 1
    return list(np.split(bad, apart))
