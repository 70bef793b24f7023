"""Where a mark's time comes from when the receiver tells it in more than one way, or not yet rightly."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest
from offtake.track.leap import GPS_EPOCH, leap_at, leap_table
from offtake.track.timeline import fit_timeline
from offtake.track.timemark import TimeMark

SECOND = 1_000_000
START = dt.datetime(2024, 5, 17, 9, 12, 30, tzinfo=dt.UTC)


def both_ways(number: int, *, utc_late_s: int = 0, start: dt.datetime = START, leap_s: int | None = None) -> TimeMark:
    """An epoch a second, told in UTC (which may be off) and in GPS time."""
    utc = start + dt.timedelta(seconds=number + utc_late_s)
    leap = leap_at(start) if leap_s is None else leap_s
    gps = start + dt.timedelta(seconds=number + leap) - GPS_EPOCH
    week, rest = divmod(gps, dt.timedelta(weeks=1))
    since = utc - utc.replace(hour=0, minute=0, second=0, microsecond=0)
    micro = dt.timedelta(microseconds=1)
    return TimeMark(number * SECOND, since // micro, utc.date(), week, None, rest // micro, leap_s, trusted=True)


def off_s(marks: list[TimeMark], start: dt.datetime = START) -> set[float]:
    """How far the stamps of the marks' ticks are off, in whole milliseconds, and what the marks show."""
    line = fit_timeline(marks)
    found = set()
    for mark, shown in zip(marks, line.mark_utc, strict=True):
        stamp = line.stamp(mark.tick_us)
        assert stamp is not None
        assert shown is not None
        expected = start + dt.timedelta(microseconds=mark.tick_us)
        found |= {round((moment - expected).total_seconds(), 3) for moment in (stamp.utc, shown)}
    return found


@pytest.mark.parametrize("unlearnt", [40, 150, 300])
def test_gps_time_beside_utc_needs_no_leap_seconds(unlearnt: int) -> None:
    """The receiver takes the leap seconds of years ago for most of the run, or all of it; its GPS time is right."""
    marks = [both_ways(n, utc_late_s=3 if n < unlearnt else 0) for n in range(300)]
    assert off_s(marks) == {0.0}


def test_utc_alone_is_put_right_from_where_it_is_learnt() -> None:
    marks = [replace(both_ways(n, utc_late_s=3 if n < 100 else 0), week=None, time_of_week_us=None) for n in range(300)]
    assert off_s(marks) == {0.0}
    notes = fit_timeline(marks).notes
    assert any(note.startswith("100 of 300 epochs, told before the receiver knew all leap seconds") for note in notes)


def test_late_epochs_while_it_learns_do_not_come_out_early() -> None:
    marks = [replace(both_ways(n, utc_late_s=2 if n < 100 else 0), week=None, time_of_week_us=None) for n in range(300)]
    for place in (20, 45, 46, 80):
        marks[place] = replace(marks[place], tick_us=marks[place].tick_us + 800_000)
    line = fit_timeline(marks)
    for tick_s in (0.0, 45.5, 90.0, 299.0):
        stamp = line.stamp(round(tick_s * SECOND))
        assert stamp is not None
        assert abs((stamp.utc - START).total_seconds() - tick_s) < 0.001


def test_gps_time_quite_elsewhere_is_not_believed() -> None:
    """A time of week from another world than the UTC beside it: UTC and its date stand."""
    marks = [replace(both_ways(n), time_of_week_us=n * SECOND, week=5) for n in range(100)]
    assert off_s(marks) == {0.0}


def test_the_receivers_leap_seconds_count_as_it_knows_them_last() -> None:
    """Told in GPS time alone: what it says of leap seconds at the start does not matter."""
    marks = [
        replace(both_ways(n), time_of_day_us=None, date=None, leap_s=15 if n < 140 else leap_at(START))
        for n in range(300)
    ]
    assert off_s(marks) == {0.0}


def test_a_leap_second_that_the_table_does_not_know() -> None:
    """Past the table's date the receiver is right, by GPS time alone and beside UTC."""
    expires = leap_table().expires
    assert expires is not None
    start = (expires + dt.timedelta(days=400)).replace(hour=9, minute=0, second=0)
    known = leap_table().gps_minus_utc_s[-1]
    for bare in (False, True):
        marks = [both_ways(n, start=start, leap_s=known + 1) for n in range(100)]
        if bare:
            marks = [replace(mark, time_of_day_us=None, date=None) for mark in marks]
        assert off_s(marks, start) == {0.0}
        notes = fit_timeline(marks).notes
        assert any(f"tells {known + 1} leap seconds, the table {known}" in note for note in notes)
        assert any("is good until" in note for note in notes)


def test_impossible_values_are_left_out() -> None:
    """Times past a day's or week's end, dates before GPS time and weeks past the calendar tell nothing."""
    good = [replace(both_ways(n), week=None, time_of_week_us=None) for n in range(50)]
    odd = [
        TimeMark(60 * SECOND, 86_402 * SECOND, START.date(), trusted=True),
        TimeMark(61 * SECOND, week=2314, time_of_week_us=604_801 * SECOND, trusted=True),
        TimeMark(62 * SECOND, -1, START.date(), trusted=True),
    ]
    line = fit_timeline([*good, *odd])
    assert line.mark_utc[50:] == (None, None, None)
    assert None not in line.mark_utc[:50]
    old = [replace(mark, date=dt.date(1970, 1, 1)) for mark in good]
    assert not fit_timeline(old).usable
    assert not fit_timeline([replace(mark, date=None, week=500_000, time_of_week_us=0) for mark in good]).usable
