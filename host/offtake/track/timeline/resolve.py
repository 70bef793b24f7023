"""What each mark means: seconds since the GPS epoch, from times of day, dates, weeks and leap seconds.

Times of day are counted over midnight along the ticks; then the run's dates and weeks vote on which day that is. So
one wrong date, or the default that receivers tell before their first fix, is outvoted.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.track.leap import DAY_S, GPS_EPOCH_POSIX, WEEK_S, gps_from_posix, leap_table
from offtake.track.timemark import TimeMark

Floats = NDArray[np.float64]

# 10-bit weeks without any other date are taken for the first ones from here on: the logger is not older.
WEEKS_NOT_BEFORE = dt.date(2024, 1, 1)
# The logger's 32-bit count of 4 us ticks goes round after this many seconds.
WRAP_S = 2**32 * 4e-6
# No receiver means more leap seconds than this.
LEAP_END_S = 100
_ROUND = 1024


@dataclass
class Resolved:
    """``gps_s``: of each mark, ``nan`` where nothing is known; ``tick_s`` its tick in seconds, unseen rounds added."""

    gps_s: Floats
    tick_s: Floats
    wraps: tuple[tuple[int, float], ...]
    trusted: NDArray[np.bool_]
    notes: list[str]


def resolve(marks: Sequence[TimeMark]) -> Resolved:
    """Give each of one run's marks (in stream order) its meaning; ``gps_s`` is all ``nan`` without any date."""
    notes: list[str] = []
    leap = _leap_seconds(marks, notes)
    time_of_day = np.array([_time_of_day_s(mark, leap) for mark in marks], dtype=np.float64)
    known = np.flatnonzero(~np.isnan(time_of_day))
    tick_s = np.array([mark.tick_us for mark in marks], dtype=np.float64) / 1e6
    trusted = np.array([mark.trusted for mark in marks], dtype=bool)
    gps = np.full(len(marks), np.nan)
    if not len(known):
        notes.append("The receiver told no time in this run.")
        return Resolved(gps, tick_s, (), trusted, notes)
    days, wraps = _count_days(tick_s, time_of_day, known, [mark.tick_us for mark in marks], notes)
    day = _vote(marks, known, days, time_of_day, leap, notes)
    if day is None:
        notes.append("The receiver told no date in this run: times are relative to its start.")
        return Resolved(gps, tick_s, wraps, trusted, notes)
    posix = (day + days) * float(DAY_S) + time_of_day[known]
    gps[known] = _gps(posix, time_of_day[known])
    _prefer_gps_time(gps, marks, known)
    _check_expiry(posix, notes)
    return Resolved(gps, tick_s, wraps, trusted, notes)


def _leap_seconds(marks: Sequence[TimeMark], notes: list[str]) -> int:
    """GPS minus UTC for marks that tell GPS time only: the receiver's own word, or else the table's at its date."""
    said = Counter(mark.leap_s for mark in marks if mark.leap_s is not None and 0 <= mark.leap_s < LEAP_END_S)
    if said:
        return said.most_common(1)[0][0]
    if not any(mark.time_of_day_us is None and mark.time_of_week_us is not None for mark in marks):
        return 0
    table = leap_table()
    weeks = [mark.week for mark in marks if mark.week is not None and mark.week_bits != 10]
    if weeks:
        posix = GPS_EPOCH_POSIX + weeks[-1] * WEEK_S
        index = int(np.searchsorted(table.since_posix, posix, side="right")) - 1
        leap = table.gps_minus_utc_s[max(0, index)]
    else:
        leap = table.gps_minus_utc_s[-1]
    notes.append(f"The receiver did not tell the leap seconds; {leap} were taken from the table.")
    return leap


def _time_of_day_s(mark: TimeMark, leap_s: int) -> float:
    if mark.time_of_day_us is not None:
        return mark.time_of_day_us / 1e6
    if mark.time_of_week_us is not None:
        return (mark.time_of_week_us / 1e6 - leap_s) % DAY_S
    return np.nan


def _count_days(
    tick_s: Floats, time_of_day: Floats, known: NDArray[np.intp], ticks_us: Sequence[int], notes: list[str]
) -> tuple[Floats, tuple[tuple[int, float], ...]]:
    """Midnights since the first known mark, for each known one; adds rounds of the tick counter to ``tick_s``.

    Ticks tell how much time passed, the times of day tell it modulo a day. Where the line was silent for so long that
    the counter went round, the times of day tell how often: a round is not near to a whole number of days.
    """
    days = np.zeros(len(known))
    wraps: list[tuple[int, float]] = []
    day = 0.0
    for place in range(1, len(known)):
        index, before = known[place], known[place - 1]
        passed = tick_s[index] - tick_s[before]
        step = time_of_day[index] - time_of_day[before]
        ahead = (step - passed + DAY_S / 2) % DAY_S - DAY_S / 2
        rounds = round(ahead / WRAP_S)
        if rounds >= 1 and abs(ahead - rounds * WRAP_S) <= 0.01 * (passed + rounds * WRAP_S):
            add = rounds * WRAP_S
            tick_s[index:] += add
            wraps.append((ticks_us[index], add))
            passed += add
            notes.append(f"The line was silent for {passed / 3600:.1f} h: the tick counter went round {rounds} times.")
        day += np.rint((passed - step) / DAY_S)
        days[place] = day
    return days, tuple(wraps)


def _vote(
    marks: Sequence[TimeMark],
    known: NDArray[np.intp],
    days: Floats,
    time_of_day: Floats,
    leap_s: int,
    notes: list[str],
) -> int | None:
    """The POSIX day on which the count of days began: what most trusted marks say, or else most of all."""
    votes: dict[bool, Counter[int]] = {True: Counter(), False: Counter()}
    short: dict[bool, Counter[int]] = {True: Counter(), False: Counter()}
    for place, index in enumerate(known):
        mark = marks[index]
        if mark.date is not None:
            votes[mark.trusted][_posix_day(mark.date) - int(days[place])] += 1
        elif mark.week is not None and mark.time_of_week_us is not None:
            posix = GPS_EPOCH_POSIX + mark.week * WEEK_S + mark.time_of_week_us / 1e6 - leap_s
            day = round((posix - time_of_day[index]) / DAY_S) - int(days[place])
            (short if mark.week_bits == 10 else votes)[mark.trusted][day] += 1
    for trusted in (True, False):
        counts = votes[trusted]
        if counts:
            day, agree = counts.most_common(1)[0]
            if agree < counts.total():
                notes.append(f"{counts.total() - agree} of {counts.total()} dates disagreed with the rest of the run.")
            if not trusted:
                notes.append("The receiver never vouched for the date.")
            return day
    for trusted in (True, False):
        if short[trusted]:
            day = short[trusted].most_common(1)[0][0]
            floor = _posix_day(WEEKS_NOT_BEFORE)
            rounds = max(0, -(-(floor - day) // (_ROUND * 7)))
            notes.append(f"The week number has 10 bits and nothing else tells the date: taken as {rounds} rounds on.")
            return day + rounds * _ROUND * 7
    return None


def _posix_day(date: dt.date) -> int:
    return date.toordinal() - dt.date(1970, 1, 1).toordinal()


def _gps(posix: Floats, time_of_day: Floats) -> Floats:
    """As :func:`offtake.track.leap.gps_from_posix`; 23:59:60 is the second before the midnight that it looks like."""
    return np.where(time_of_day >= DAY_S, gps_from_posix(posix - 1.0) + 1.0, gps_from_posix(posix))


def _prefer_gps_time(gps: Floats, marks: Sequence[TimeMark], known: NDArray[np.intp]) -> None:
    """Where the mark tells GPS time and no UTC, that is taken as it stands: leap seconds cannot spoil it."""
    for index in known:
        week_us = marks[index].time_of_week_us
        if week_us is not None and marks[index].time_of_day_us is None:
            seconds = week_us / 1e6
            gps[index] = seconds + WEEK_S * np.rint((gps[index] - seconds) / WEEK_S)


def _check_expiry(posix: Floats, notes: list[str]) -> None:
    expires = leap_table().expires
    if expires is not None and posix.max() >= expires.timestamp():
        notes.append(f"The table of leap seconds is good until {expires:%Y-%m-%d} only; update the package tzdata.")
