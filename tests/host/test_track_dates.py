"""Dates of epochs: where they come from, over midnight, before the first one is known."""

from __future__ import annotations

import datetime as dt

from offtake.track.dating import date_epochs
from offtake.track.epochs import Epoch
from offtake.track.fix import Fix
from offtake.track.timemark import TimeMark

SECOND = 1_000_000
DAY = 86_400 * SECOND


def clock(text: str) -> int:
    hours, minutes, seconds = text.split(":")
    return (int(hours) * 3600 + int(minutes) * 60 + int(seconds)) * SECOND


def epoch(tick_s: float, time: str | None, date: str | None = None, *, position: bool = True) -> Epoch:
    fix = Fix(
        run=1,
        tick_us=round(tick_s * SECOND),
        time_of_day_us=None if time is None else clock(time),
        latitude_deg=1.0 if position else None,
        longitude_deg=2.0 if position else None,
    )
    return Epoch(fix, TimeMark(fix.tick_us, fix.time_of_day_us, None if date is None else dt.date.fromisoformat(date)))


def dated(*epochs: Epoch) -> list[str | None]:
    return [None if fix.utc is None else fix.utc.isoformat() for fix in date_epochs(epochs)]


def test_no_date_at_all_gives_no_utc() -> None:
    assert dated(epoch(0, "12:00:00"), epoch(1, "12:00:01")) == [None, None]


def test_a_date_dates_what_comes_before_and_after() -> None:
    assert dated(epoch(0, "12:00:00"), epoch(1, "12:00:01", "2024-02-29"), epoch(2, "12:00:02")) == [
        "2024-02-29T12:00:00+00:00",
        "2024-02-29T12:00:01+00:00",
        "2024-02-29T12:00:02+00:00",
    ]


def test_over_midnight_forwards_and_backwards() -> None:
    assert dated(
        epoch(0, "23:59:58"),
        epoch(1, "23:59:59"),
        epoch(2, "00:00:00", "2024-03-01"),
        epoch(3, "00:00:01"),
    ) == [
        "2024-02-29T23:59:58+00:00",
        "2024-02-29T23:59:59+00:00",
        "2024-03-01T00:00:00+00:00",
        "2024-03-01T00:00:01+00:00",
    ]
    assert dated(epoch(0, "23:59:59", "2023-12-31"), epoch(1, "00:00:00")) == [
        "2023-12-31T23:59:59+00:00",
        "2024-01-01T00:00:00+00:00",
    ]


def test_several_midnights_and_a_silence_of_more_than_a_day() -> None:
    # Ticks run 0.4 % fast here: a resonator's error does not add a day.
    day_s = 86_400 * 1.004
    assert dated(
        epoch(0, "12:00:00", "2024-05-01"),
        epoch(day_s, "12:00:00"),
        epoch(day_s * 3.5, "00:00:00"),
    ) == ["2024-05-01T12:00:00+00:00", "2024-05-02T12:00:00+00:00", "2024-05-05T00:00:00+00:00"]


def test_a_time_that_steps_back_a_little_is_no_new_day() -> None:
    assert dated(epoch(0, "12:00:05", "2024-05-01"), epoch(1, "12:00:03"), epoch(2, "12:00:07")) == [
        "2024-05-01T12:00:05+00:00",
        "2024-05-01T12:00:03+00:00",
        "2024-05-01T12:00:07+00:00",
    ]


def test_a_wrong_clock_before_the_first_position_does_not_take_a_day_back() -> None:
    assert dated(epoch(0, "00:00:10", position=False), epoch(1, "14:23:00", "2024-05-01")) == [
        "2024-05-01T00:00:10+00:00",
        "2024-05-01T14:23:00+00:00",
    ]


def test_dates_with_a_position_are_preferred_to_a_receivers_default() -> None:
    assert dated(
        epoch(0, "12:00:00", "1980-01-06", position=False),
        epoch(1, "12:00:01"),
        epoch(2, "12:00:02", "2024-05-01"),
        epoch(3, "12:00:03", "1980-01-06", position=False),
    ) == [f"2024-05-01T12:00:0{n}+00:00" for n in range(4)]


def test_dates_without_any_position_are_better_than_none() -> None:
    assert dated(
        epoch(0, "12:00:00", position=False), epoch(1, "12:00:01", "2024-05-01", position=False)
    ) == [
        "2024-05-01T12:00:00+00:00",
        "2024-05-01T12:00:01+00:00",
    ]


def test_a_later_date_counts_from_where_it_stands() -> None:
    assert dated(
        epoch(0, "12:00:00", "2024-05-01"),
        epoch(1, "12:00:01"),
        epoch(2, "12:00:02", "2024-06-01"),
        epoch(3, "12:00:03"),
    ) == [
        "2024-05-01T12:00:00+00:00",
        "2024-05-01T12:00:01+00:00",
        "2024-06-01T12:00:02+00:00",
        "2024-06-01T12:00:03+00:00",
    ]


def test_epochs_without_a_time_stay_without_utc() -> None:
    assert dated(epoch(0, None), epoch(1, "12:00:00", "2024-05-01"), epoch(2, None)) == [
        None,
        "2024-05-01T12:00:00+00:00",
        None,
    ]


def test_a_leap_second_is_the_instant_the_next_day_begins() -> None:
    leap = Epoch(
        Fix(run=1, tick_us=0, time_of_day_us=DAY, latitude_deg=1.0, longitude_deg=2.0),
        TimeMark(0, DAY, dt.date(2016, 12, 31)),
    )
    assert dated(leap, epoch(1, "00:00:00")) == ["2017-01-01T00:00:00+00:00"] * 2


def test_ticks_beyond_the_calendar_leave_the_date_open() -> None:
    assert dated(epoch(0, "12:00:00", "2024-05-01"), epoch(1e13, "12:00:01")) == [
        "2024-05-01T12:00:00+00:00",
        None,
    ]
