"""What each mark means: seconds since the GPS epoch, from times of day, dates, weeks and leap seconds.

Times of day are counted over midnight along the ticks; then the run's dates and weeks vote on which day that is. So
one wrong date, or the default that receivers tell before their first fix, is outvoted.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.track.leap import DAY_S, GPS_EPOCH_POSIX, WEEK_S, gps_from_posix, leap_table
from offtake.track.marks import NO_DAY, NO_LEAP, MarkColumns
from offtake.track.timeline.silence import WRAP_S, rounds_unseen

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

# 10-bit weeks without any other date are taken for the first ones from here on: the logger is not older.
WEEKS_NOT_BEFORE = dt.date(2024, 1, 1)
_ROUND = 1024
# Leap seconds a receiver can lack or have too many when it speaks both of GPS time and of UTC.
_BOTH_WAYS_S = 60.0
_UNIX_DAY = dt.date(1970, 1, 1).toordinal()
# Weeks up to the year 9999, and what no microsecond of a day or a week exceeds.
_WEEKS_MAX = 418_000
_DAY_US_MAX = 86_401_000_000
_WEEK_US = WEEK_S * 1_000_000


@dataclass
class Resolved:
    """``gps_s``: of each mark, ``nan`` where nothing is known; ``tick_s`` its tick in seconds, unseen rounds added."""

    gps_s: Floats
    tick_s: Floats
    wraps: tuple[tuple[int, float], ...]
    trusted: NDArray[np.bool_]
    notes: list[str]


@dataclass(frozen=True)
class _Told:
    """The marks as columns; ``nan`` where a mark does not say it. ``posix_day`` is the date's, ``week_s`` the time of
    week in seconds."""

    day_s: Floats
    posix_day: Floats
    week: Floats
    short: NDArray[np.bool_]
    week_s: Floats
    trusted: NDArray[np.bool_]


def resolve(marks: MarkColumns) -> Resolved:
    """Give each of one run's marks (in stream order) its meaning; ``gps_s`` is all ``nan`` without any date."""
    notes: list[str] = []
    told = _columns(marks)
    leap = _leap_seconds(marks, told, notes)
    time_of_day = np.where(np.isnan(told.day_s), (told.week_s - leap) % DAY_S, told.day_s)
    known = np.flatnonzero(~np.isnan(time_of_day))
    tick_s = marks.tick_us / 1e6
    gps = np.full(len(marks), np.nan)
    if not len(known):
        notes.append("The receiver told no time in this run.")
        return Resolved(gps, tick_s, (), told.trusted, notes)
    day_of = _day_told(told, time_of_day, leap)
    wraps = _add_rounds(tick_s, time_of_day, day_of, told.trusted, known, notes)
    # Ticks tell how much time passed, the times of day tell it modulo a day.
    passed, step = np.diff(tick_s[known]), np.diff(time_of_day[known])
    days = np.concatenate(([0.0], np.cumsum(np.rint((passed - step) / DAY_S))))
    day = _vote(day_of[known] - days, told.trusted[known], told.short[known] & np.isnan(told.posix_day[known]), notes)
    if day is None:
        notes.append("The receiver told no date in this run: times are relative to its start.")
        return Resolved(gps, tick_s, wraps, told.trusted, notes)
    posix = (day + days) * float(DAY_S) + time_of_day[known]
    gps[known] = _gps(posix, time_of_day[known])
    _prefer_gps_time(gps, told, _leap_not_in_table(leap, posix, notes))
    _check_expiry(posix, notes)
    return Resolved(gps, tick_s, wraps, told.trusted, notes)


def _columns(marks: MarkColumns) -> _Told:
    # A log is not to be trusted: what no receiver can mean is left out. No date is older than GPS time.
    def within(values: Indices, most: int) -> Floats:
        return np.where((values >= 0) & (values <= most), values.astype(np.float64), np.nan)

    dated = (marks.day != NO_DAY) & (marks.day * DAY_S >= GPS_EPOCH_POSIX)
    return _Told(
        day_s=within(marks.time_of_day_us, _DAY_US_MAX) / 1e6,
        posix_day=np.where(dated, marks.day.astype(np.float64), np.nan),
        week=within(marks.week, _WEEKS_MAX),
        short=marks.week_bits == 10,
        week_s=within(marks.time_of_week_us, _WEEK_US) / 1e6,
        trusted=marks.trusted,
    )


def _leap_seconds(marks: MarkColumns, told: _Told, notes: list[str]) -> int:
    """GPS minus UTC for marks that tell GPS time only: the receiver's own word, or else the table's at its date.

    The receiver's word counts where it vouches for its time, and best in the later half: by then it has learnt.
    """
    table = leap_table()
    most = table.gps_minus_utc_s[-1] + 10
    said = (marks.leap_s != NO_LEAP) & (marks.leap_s >= 0) & (marks.leap_s <= most)
    vouched = marks.leap_s[said & marks.trusted] if (said & marks.trusted).any() else marks.leap_s[said]
    votes = vouched[len(vouched) // 2 :]
    if len(votes):
        values, first, counts = np.unique(votes, return_index=True, return_counts=True)
        # Of those that are told equally often, the one told first.
        return int(values[np.lexsort((first, -counts))[0]])
    if not (np.isnan(told.day_s) & ~np.isnan(told.week_s)).any():
        return 0
    full = told.week[~np.isnan(told.week) & ~told.short & told.trusted]
    if not len(full):
        full = told.week[~np.isnan(told.week) & ~told.short]
    leap = table.gps_minus_utc_s[-1]
    if len(full):
        posix = GPS_EPOCH_POSIX + float(np.median(full)) * WEEK_S
        leap = table.gps_minus_utc_s[max(0, int(np.searchsorted(table.since_posix, posix, side="right")) - 1)]
    notes.append(f"The receiver did not tell the leap seconds; {leap} were taken from the table.")
    return leap


def _day_told(told: _Told, time_of_day: Floats, leap_s: int) -> Floats:
    """The POSIX day that each mark tells, by its date or else by its week (10-bit weeks as they stand)."""
    posix = GPS_EPOCH_POSIX + told.week * WEEK_S + told.week_s - leap_s
    return np.where(np.isnan(told.posix_day), np.rint((posix - time_of_day) / DAY_S), told.posix_day)


def _add_rounds(
    tick_s: Floats,
    time_of_day: Floats,
    day_of: Floats,
    trusted: NDArray[np.bool_],
    known: NDArray[np.intp],
    notes: list[str],
) -> tuple[tuple[int, float], ...]:
    """Add to ``tick_s`` the counter's unseen rounds. Returns ticks in microseconds, and the seconds to add there."""
    told_s = day_of * DAY_S + time_of_day
    if not trusted[known].any():
        trusted = np.ones(len(tick_s), dtype=bool)
    wraps: list[tuple[int, float]] = []
    bare_s = tick_s.copy()
    for place, rounds in rounds_unseen(tick_s[known], time_of_day[known], told_s[known], trusted[known]):
        last, first = known[place - 1], known[place]
        add = rounds * WRAP_S
        tick_s[last + 1 :] += add
        # Bytes between the two marks: those nearer to the later one came with it.
        wraps.append((round((bare_s[last] + bare_s[first]) / 2 * 1e6), add))
        hours = (tick_s[first] - tick_s[last]) / 3600
        times = "once" if rounds == 1 else f"{rounds} times"
        notes.append(f"The line was silent for {hours:.1f} h: the tick counter went round {times}.")
    return tuple(wraps)


def _vote(first_day: Floats, trusted: NDArray[np.bool_], short: NDArray[np.bool_], notes: list[str]) -> int | None:
    """The POSIX day on which the count of days began: what most trusted marks say, or else most of all."""
    told = ~np.isnan(first_day)
    for vouched in (True, False):
        counts = _count(first_day[told & ~short & (trusted == vouched)])
        if counts:
            day, agree = counts.most_common(1)[0]
            if agree < counts.total():
                notes.append(f"{counts.total() - agree} of {counts.total()} dates disagreed with the rest of the run.")
            if not vouched:
                notes.append("The receiver never vouched for the date.")
            return day
    for vouched in (True, False):
        counts = _count(first_day[told & short & (trusted == vouched)])
        if counts:
            day = counts.most_common(1)[0][0]
            floor = WEEKS_NOT_BEFORE.toordinal() - _UNIX_DAY
            rounds = max(0, -(-(floor - day) // (_ROUND * 7)))
            notes.append(f"The week number has 10 bits and nothing else tells the date: taken as {rounds} rounds on.")
            return day + rounds * _ROUND * 7
    return None


def _count(days: Floats) -> Counter[int]:
    values, counts = np.unique(days, return_counts=True)
    return Counter({int(value): int(count) for value, count in zip(values, counts, strict=True)})


def _gps(posix: Floats, time_of_day: Floats) -> Floats:
    """As :func:`offtake.track.leap.gps_from_posix`; 23:59:60 is the second before the midnight that it looks like."""
    return np.where(time_of_day >= DAY_S, gps_from_posix(posix - 1.0) + 1.0, gps_from_posix(posix))


def _prefer_gps_time(gps: Floats, told: _Told, not_in_table_s: int) -> None:
    """Where the mark tells GPS time that is taken as it stands: leap seconds cannot spoil it.

    ``not_in_table_s`` are leap seconds that the table lacks: GPS time is kept here as the table has it. A mark that
    tells UTC too, and quite another time by it, is left as it is.
    """
    seconds = told.week_s - not_in_table_s
    by_week = seconds + WEEK_S * np.rint((gps - seconds) / WEEK_S)
    alone = np.isnan(told.day_s)
    near = told.trusted & (np.abs(by_week - gps) <= _BOTH_WAYS_S)
    take = ~np.isnan(by_week) & (alone | near)
    gps[take] = by_week[take]


def _leap_not_in_table(leap_s: int, posix: Floats, notes: list[str]) -> int:
    """Leap seconds that the receiver knows and the table does not, because it is past its date."""
    table = leap_table()
    when = float(np.median(posix))
    if leap_s == 0 or table.expires is None or when < table.expires.timestamp():
        return 0
    missing = leap_s - table.gps_minus_utc_s[-1]
    if missing:
        notes.append(f"The receiver tells {leap_s} leap seconds, the table {leap_s - missing}; the receiver is right.")
    return missing


def _check_expiry(posix: Floats, notes: list[str]) -> None:
    expires = leap_table().expires
    if expires is not None and posix.max() >= expires.timestamp():
        notes.append(f"The table of leap seconds is good until {expires:%Y-%m-%d} only; update the package tzdata.")
