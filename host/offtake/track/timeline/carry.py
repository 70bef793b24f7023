"""Marks that know their dates already, from the part of the run before or from a line that was fitted once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from offtake.track.fixes import NO_TIME
from offtake.track.leap import DAY_S, WEEK_S, gps_from_posix
from offtake.track.marks import NO_LEAP, MarkColumns
from offtake.track.ragged import Flags, Indices
from offtake.track.timeline.line import TimeLine

_DAY_US = DAY_S * 1_000_000


def with_dates(marks: MarkColumns, utc_us: Indices) -> MarkColumns:
    """Return ``marks`` with the dates and full weeks that go with ``utc_us`` (microseconds since 1970, to well under
    half a day; ``NO_TIME``: as the mark tells it); the receiver is taken to vouch for these."""
    known = utc_us != NO_TIME
    by_day = known & (marks.time_of_day_us >= 0)
    by_week = known & (marks.time_of_week_us >= 0)
    return replace(
        marks,
        day=np.where(by_day, _nearest(utc_us, marks.time_of_day_us, _DAY_US, by_day), marks.day),
        week=np.where(by_week, _weeks(utc_us, marks.time_of_week_us, by_week), marks.week),
        week_bits=np.where(by_week, -1, marks.week_bits),
        trusted=marks.trusted | by_day | by_week,
    )


def with_dates_of(marks: MarkColumns, line: TimeLine) -> MarkColumns:
    """Return ``marks`` with the dates that ``line`` gives their ticks."""
    utc, _ = line.stamp_many(marks.tick_us)
    return with_dates(marks, np.where(np.isnat(utc), NO_TIME, utc.astype(np.int64)))


def with_leap(marks: MarkColumns, leap_s: int | None) -> MarkColumns:
    """Return ``marks`` with the leap seconds, told before the first of them, in this one if it tells none."""
    if leap_s is None or not len(marks) or marks.leap_s[0] != NO_LEAP:
        return marks
    told = marks.leap_s.copy()
    told[0] = leap_s
    return replace(marks, leap_s=told)


def _nearest(utc_us: Indices, told_us: Indices, turn_us: int, known: Flags) -> Indices:
    """Whole turns that lie before the told time if it is that of ``utc_us``."""
    rest = np.where(known, utc_us - told_us, 0)
    whole: NDArray[np.int64] = (rest + turn_us // 2) // turn_us
    return whole


def _weeks(utc_us: Indices, told_us: Indices, known: Flags) -> Indices:
    gps_us = np.rint(gps_from_posix(np.where(known, utc_us, 0) / 1e6) * 1e6).astype(np.int64)
    return _nearest(gps_us, told_us, WEEK_S * 1_000_000, known)
