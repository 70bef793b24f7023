"""What single marks mean: dates over midnight, votes, defaults, leap seconds, weeks, and what cannot be known."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from offtake.track.leap import WEEK_S, gps_from_posix
from offtake.track.timeline import fit_timeline
from offtake.track.timemark import TimeMark

SECOND = 1_000_000
DAY = 86_400 * SECOND


def clock(text: str) -> int:
    hours, minutes, seconds = text.split(":")
    return (int(hours) * 3600 + int(minutes) * 60 + int(seconds)) * SECOND


def mark(tick_s: float, time: str | None, date: str | None = None, *, trusted: bool = True) -> TimeMark:
    day = None if date is None else dt.date.fromisoformat(date)
    return TimeMark(round(tick_s * SECOND), None if time is None else clock(time), day, trusted=trusted)


def dated(*marks: TimeMark) -> list[str | None]:
    return [None if utc is None else utc.isoformat() for utc in fit_timeline(marks).mark_utc]


def test_no_date_at_all_gives_no_utc() -> None:
    assert dated(mark(0, "12:00:00"), mark(1, "12:00:01")) == [None, None]


def test_a_date_dates_what_comes_before_and_after() -> None:
    assert dated(mark(0, "12:00:00"), mark(1, "12:00:01", "2024-02-29"), mark(2, "12:00:02")) == [
        f"2024-02-29T12:00:0{n}+00:00" for n in range(3)
    ]


def test_over_midnight_forwards_and_backwards() -> None:
    assert dated(mark(0, "23:59:58"), mark(1, "23:59:59"), mark(2, "00:00:00", "2024-03-01"), mark(3, "00:00:01")) == [
        "2024-02-29T23:59:58+00:00",
        "2024-02-29T23:59:59+00:00",
        "2024-03-01T00:00:00+00:00",
        "2024-03-01T00:00:01+00:00",
    ]


def test_several_midnights_and_a_silence_of_more_than_a_day() -> None:
    # Ticks run 0.4 % fast here: a resonator's error does not add a day.
    day_s = 86_400 * 1.004
    assert dated(mark(0, "12:00:00", "2024-05-01"), mark(day_s, "12:00:00"), mark(day_s * 3.5, "00:00:00")) == [
        "2024-05-01T12:00:00+00:00",
        "2024-05-02T12:00:00+00:00",
        "2024-05-05T00:00:00+00:00",
    ]


def test_a_time_that_steps_back_a_little_is_no_new_day() -> None:
    found = dated(mark(0, "12:00:05", "2024-05-01"), mark(1, "12:00:03"), mark(2, "12:00:07"))
    assert [text and text[:10] for text in found] == ["2024-05-01"] * 3


def test_a_wrong_clock_before_the_first_position_does_not_move_the_date() -> None:
    assert dated(mark(0, "00:00:10", trusted=False), *(mark(n, f"14:23:{n:02d}", "2024-05-01") for n in range(1, 20)))[
        1:
    ] == [f"2024-05-01T14:23:{n:02d}+00:00" for n in range(1, 20)]


def test_trusted_dates_outvote_a_receivers_default() -> None:
    assert dated(
        mark(0, "12:00:00", "1980-01-06", trusted=False),
        mark(1, "12:00:01", "1980-01-06", trusted=False),
        mark(2, "12:00:02", "2024-05-01"),
        mark(3, "12:00:03", "1980-01-06", trusted=False),
    ) == [f"2024-05-01T12:00:0{n}+00:00" for n in range(4)]


def test_one_wrong_date_is_outvoted_and_said() -> None:
    marks = [mark(n, f"12:00:{n:02d}", "2024-05-01") for n in range(10)]
    marks[4] = mark(4, "12:00:04", "2024-06-01")
    line = fit_timeline(marks)
    assert {utc.date() for utc in line.mark_utc if utc} == {dt.date(2024, 5, 1)}
    assert any("1 of 10 dates" in note for note in line.notes)


def test_dates_nobody_vouches_for_are_better_than_none() -> None:
    marks = [mark(0, "12:00:00", trusted=False), mark(1, "12:00:01", "2024-05-01", trusted=False)]
    assert dated(*marks) == ["2024-05-01T12:00:00+00:00", "2024-05-01T12:00:01+00:00"]
    assert any("never vouched" in note for note in fit_timeline(marks).notes)


def test_marks_without_a_time_stay_without_utc() -> None:
    assert dated(mark(0, None), mark(1, "12:00:00", "2024-05-01"), mark(2, None)) == [
        None,
        "2024-05-01T12:00:00+00:00",
        None,
    ]


def test_a_leap_second_is_shown_as_the_second_after_it() -> None:
    leap = TimeMark(SECOND, DAY, dt.date(2016, 12, 31), trusted=True)
    found = fit_timeline([mark(0, "23:59:59", "2016-12-31"), leap, mark(2, "00:00:00", "2017-01-01")])
    assert [utc and utc.isoformat() for utc in found.mark_utc] == [
        "2016-12-31T23:59:59+00:00",
        "2017-01-01T00:00:00+00:00",
        "2017-01-01T00:00:00+00:00",
    ]
    # On the line the three are a second apart each.
    assert found.residuals_s == pytest.approx([0, 0, 0], abs=1e-6)


def test_ticks_beyond_the_calendar_leave_the_date_open() -> None:
    assert dated(mark(0, "12:00:00", "2024-05-01"), mark(1e12, "12:00:01"))[1] is None


def test_a_ten_bit_week_alone_is_not_older_than_the_logger() -> None:
    """Week 250 of a 10-bit count, alone: the round in which the logger can have been."""
    marks = [TimeMark(n * SECOND, week=250, week_bits=10, time_of_week_us=n * SECOND, leap_s=18, trusted=True)
             for n in range(10)]  # fmt: skip
    line = fit_timeline(marks)
    first = line.mark_utc[0]
    assert first is not None
    assert first >= dt.datetime(2024, 1, 1, tzinfo=dt.UTC)
    assert (gps_from_posix(np.array([first.timestamp()]))[0] // WEEK_S) % 1024 == 250
    assert any("10 bits" in note for note in line.notes)


def test_past_the_leap_tables_expiry_is_said() -> None:
    line = fit_timeline([mark(n, f"12:00:{n:02d}", "2060-05-01") for n in range(10)])
    assert any("good until" in note for note in line.notes)


def test_absurd_leap_seconds_are_not_believed() -> None:
    marks = [TimeMark(n * SECOND, week=2300, time_of_week_us=n * SECOND, leap_s=-127, trusted=True) for n in range(9)]
    first = fit_timeline(marks).mark_utc[0]
    assert first is not None
    assert first == dt.datetime(1980, 1, 6, tzinfo=dt.UTC) + dt.timedelta(weeks=2300, seconds=-18)
