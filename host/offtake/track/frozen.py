"""Output that stands still: positions digit for digit while the vehicle moves, or the receiver's time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from offtake.track.columns import Columns, Epochs
from offtake.track.finding import Finding, fixes_text, metres_text, seconds_text
from offtake.track.innovation import Innovation
from offtake.track.limits import Limits
from offtake.track.ragged import Flags, Indices

# The least identical fixes in a row; two or three alike happen where a step of the last digit is coarse.
_FIXES = 4
# Receivers that give whole seconds only repeat one for up to a second.
_TIME_STANDS_S = 1.5
_TIME_EPOCHS = 3
# Reported slower than this, a vehicle may as well stand: receivers then hold the position on purpose.
_SURELY_MOVING_M_S = 0.5
_WAS_MOVING_M_S = 1.0
_BEFORE_LEGS = 5


@dataclass(frozen=True)
class Frozen:
    """The findings, and the legs (of the columns) they explain: those within, into and out of them."""

    findings: tuple[Finding, ...]
    legs: Flags


def find_frozen(columns: Columns, found: Innovation, limits: Limits) -> Frozen:
    """Return stretches of digit-identical positions that the reported speed or the motion before contradicts."""
    explained = np.zeros(max(len(columns) - 1, 0), dtype=bool)
    findings = []
    same = (columns.legs.length_m == 0) & ~found.over_gap
    for first, last in _runs(same):
        finding = _judge(columns, found, first, last, limits)
        if finding is not None:
            findings.append(finding)
            explained[first : last + 2] = True
    return Frozen(tuple(findings), explained)


def _judge(columns: Columns, found: Innovation, first: int, last: int, limits: Limits) -> Finding | None:
    """Judge the identical positions ``first`` to ``last + 1``, joined by the legs ``first`` to ``last``."""
    fixes = last + 2 - first
    seconds = float(columns.time_s[last + 1] - columns.time_s[first])
    if fixes < _FIXES or seconds < limits.frozen_s:
        return None
    least_m = max(limits.frozen_m, 4 * columns.step_m)
    if np.any(np.isfinite(columns.speed_m_s[first : last + 2])):
        contradiction = _by_report(columns, found, first, last, least_m)
    else:
        contradiction = _by_motion_before(columns, first, last, least_m, limits)
    contradiction = contradiction or _by_leap_after(columns, found, last, least_m)
    if contradiction is None:
        return None
    said, evidence = contradiction
    return Finding(
        "frozen",
        int(columns.index[first]),
        int(columns.index[last + 1]),
        (("duration_s", seconds), ("fixes", float(fixes)), *evidence),
        f"The position is the same to the last digit in {fixes_text(fixes)} over {seconds_text(seconds)} while {said}.",
        suspect=True,
    )


_Contradiction = tuple[str, tuple[tuple[str, float], ...]]


def _by_report(columns: Columns, found: Innovation, first: int, last: int, least_m: float) -> _Contradiction | None:
    """What the reported speed makes of the time in which the legs ``first`` to ``last`` go nowhere."""
    legs = slice(first, last + 1)
    usual = float(np.nanmedian(columns.speed_m_s[first : last + 2]))
    way = float(np.nansum(columns.speed_m_s[legs] * columns.step_s[legs]))
    if usual < _SURELY_MOVING_M_S:
        return None
    if usual < 2 * _WAS_MOVING_M_S and found.by_report[legs].all():
        # A low speed without a steady course is noise at rest.
        way = min(way, float(np.hypot(found.predicted_east_m[legs].sum(), found.predicted_north_m[legs].sum())))
    if way < least_m:
        return None
    said = f"the reported speed, {usual:.1f} m/s, makes {metres_text(way)}"
    return said, (("reported_m", way), ("speed_m_s", usual))


def _by_motion_before(columns: Columns, first: int, last: int, least_m: float, limits: Limits) -> _Contradiction | None:
    """The same from the speed before, where so sudden a stop, or the way caught up after it, denies a real one."""
    lengths, seconds = columns.legs.length_m, columns.step_s
    before = np.arange(max(0, first - _BEFORE_LEGS), first)
    before = before[seconds[before] > 0]
    if not len(before):
        return None
    usual = float(np.median(lengths[before] / seconds[before]))
    way = usual * float(seconds[first : last + 1].sum())
    after = float(lengths[last + 1]) if last + 1 < len(lengths) else 0.0
    stops = usual / max(float(seconds[first]), 1e-3) > limits.acceleration_m_s2
    if usual < _WAS_MOVING_M_S or way < least_m or not (stops or after > max(least_m, way / 2)):
        return None
    said = f"the motion before, {usual:.1f} m/s, makes {metres_text(way)}"
    return said, (("expected_m", way), ("speed_before_m_s", usual))


def _by_leap_after(columns: Columns, found: Innovation, last: int, least_m: float) -> _Contradiction | None:
    """What follows a standing position denies it: the way missed is caught up in one leg."""
    after = last + 1
    if after >= len(found.size_m) or found.over_gap[after]:
        return None
    leap = float(columns.legs.length_m[after])
    if leap < least_m or found.size_m[after] < 2 * found.gate_m[after]:
        return None
    return f"the next one lies {metres_text(leap)} away", (("next_step_m", leap),)


def find_time_standing(epochs: Epochs, first: int) -> list[Finding]:
    """Return stretches, from epoch ``first`` on, in which the receiver's time stands while the ticks go on."""
    clock, ticks = epochs.clock_us[first:], epochs.tick_us[first:]
    findings = []
    for start, end in _runs((np.diff(clock) == 0) & (clock[1:] >= 0)):
        count, seconds = end + 2 - start, float(ticks[end + 1] - ticks[start]) / 1e6
        if count < _TIME_EPOCHS or seconds < max(_TIME_STANDS_S, 1.5 * (epochs.interval_s or 0.0)):
            continue
        findings.append(
            Finding(
                "frozen",
                first + start,
                first + end + 1,
                (("duration_s", seconds), ("fixes", float(count))),
                f"The receiver's time stands still in {count:,} epochs; {seconds_text(seconds)} pass by the ticks.",
                suspect=True,
            )
        )
    return findings


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """First and last index of each run of true ``flags``."""
    edges: Indices = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(start), int(end) - 1) for start, end in zip(edges[::2], edges[1::2], strict=True)]
