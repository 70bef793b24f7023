"""Silences in which the logger's 32-bit tick counter went round (every 4.77 h) and nothing in the log says so."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from offtake.track.timeline import TimeLine, fit_timeline
from offtake.track.timemark import TimeMark

SECOND = 1_000_000
WRAP_US = 2**32 * 4
WRAP_S = WRAP_US / SECOND
START = dt.datetime(2024, 5, 17, 9, 12, 30, tzinfo=dt.UTC)
SIDE = 600


def mark(tick_us: int, utc: dt.datetime, *, dated: bool = True, trusted: bool = True) -> TimeMark:
    since = utc - utc.replace(hour=0, minute=0, second=0, microsecond=0)
    return TimeMark(tick_us, since // dt.timedelta(microseconds=1), utc.date() if dated else None, trusted=trusted)


def ticks_us(since_s: float, ppm: float) -> int:
    return round(since_s * (1 + ppm * 1e-6) * 250_000) * 4


def run(silence_s: float, ppm: float, *, dates_every: int = 1) -> list[TimeMark]:
    """Ten minutes of epochs, a silence, ten minutes more; ticks as the journal unwraps them: less than a round on."""
    quiet_us = ticks_us(SIDE + silence_s, ppm) - ticks_us(SIDE - 1, ppm)
    hidden_us = quiet_us // WRAP_US * WRAP_US
    marks: list[TimeMark] = []
    for number in range(2 * SIDE):
        since = number + (silence_s if number >= SIDE else 0.0)
        utc = START + dt.timedelta(microseconds=round(since * SECOND))
        tick = ticks_us(since, ppm) - (hidden_us if number >= SIDE else 0)
        marks.append(mark(tick, utc, dated=number % dates_every == 3 % dates_every))
    return marks


def assert_right(line: TimeLine, silence_s: float, marks: list[TimeMark]) -> None:
    for number in (0, 5, SIDE - 1, SIDE, SIDE + 1, 2 * SIDE - 1):
        since = number + (silence_s if number >= SIDE else 0.0)
        expected = START + dt.timedelta(microseconds=round(since * SECOND))
        assert line.mark_utc[number] == expected
        stamp = line.stamp(marks[number].tick_us)
        assert stamp is not None
        assert abs((stamp.utc - expected).total_seconds()) < 0.002


@pytest.mark.parametrize("ppm", [-4800, -30, 2500])
@pytest.mark.parametrize("dates_every", [1, 10])
@pytest.mark.parametrize(
    ("silence_s", "rounds"),
    [
        (300.0, 0),
        (WRAP_S - 200, 0),
        (WRAP_S + 500, 1),
        (4 * WRAP_S + 3000, 4),
        (5 * WRAP_S + 800, 5),
        (86_400.0, 5),
        (2.3 * 86_400, 11),
        (12 * WRAP_S + 9000, 12),
        (7 * 86_400.0, 35),
    ],
    ids=str,
)
def test_dates_tell_how_long_it_was(silence_s: float, rounds: int, ppm: float, dates_every: int) -> None:
    marks = run(silence_s, ppm, dates_every=dates_every)
    line = fit_timeline(marks)
    assert_right(line, silence_s, marks)
    assert len(line.wraps) == (rounds > 0)
    if rounds:
        assert line.wraps[0][1] == pytest.approx(rounds * WRAP_S)
        assert any("went round" in note for note in line.notes)


@pytest.mark.parametrize("silence_s", [WRAP_S + 500, 2 * WRAP_S + 11_000, 4 * WRAP_S + 3000])
def test_without_dates_after_it_the_time_of_day_tells_up_to_four_rounds(silence_s: float) -> None:
    marks = run(silence_s, 800)
    marks[SIDE:] = [replace(one, date=None) for one in marks[SIDE:]]
    assert_right(fit_timeline(marks), silence_s, marks)


def test_a_clock_that_is_set_is_no_silence() -> None:
    """Before its first fix the receiver tells a default, exactly one round of the counter away from the truth."""
    wrong = START - dt.timedelta(seconds=WRAP_S)
    marks = [mark(n * SECOND, wrong + dt.timedelta(seconds=n), dated=False, trusted=False) for n in range(60)]
    marks += [mark(n * SECOND, START + dt.timedelta(seconds=n)) for n in range(60, 600)]
    line = fit_timeline(marks)
    assert line.wraps == ()
    stamp = line.stamp(0)
    assert stamp is not None
    assert abs((stamp.utc - START).total_seconds()) < 0.05


def test_two_silences_one_after_the_other() -> None:
    marks = run(2 * WRAP_S + 700, -900)
    last = marks[-1]
    assert last.time_of_day_us is not None
    gone = 3 * WRAP_S + 4000
    end = START + dt.timedelta(seconds=2 * SIDE - 1 + 2 * WRAP_S + 700)
    third = [mark(last.tick_us + round((4000 + n) * SECOND), end + dt.timedelta(seconds=gone + n)) for n in range(SIDE)]
    line = fit_timeline([*marks, *third])
    assert [round(add / WRAP_S) for _, add in line.wraps] == [2, 3]
    stamp = line.stamp(third[-1].tick_us)
    assert stamp is not None
    assert abs((stamp.utc - end).total_seconds() - gone - SIDE + 1) < 0.01


def test_bytes_within_the_silence_belong_to_the_nearer_side() -> None:
    marks = run(WRAP_S + 6000, 0)
    line = fit_timeline(marks)
    before, after = marks[SIDE - 1], marks[SIDE]
    for tick_us, near in ((before.tick_us + SECOND, before), (after.tick_us - SECOND, after)):
        stamp, known = line.stamp(tick_us), line.stamp(near.tick_us)
        assert stamp is not None
        assert known is not None
        assert abs(abs((stamp.utc - known.utc).total_seconds()) - 1) < 0.01
    middle = line.stamp((before.tick_us + after.tick_us) // 2)
    assert middle is not None
    assert middle.uncertainty_s >= WRAP_S


def test_beyond_a_silence_another_time_does_not_count() -> None:
    """After half an hour of silence the receiver wakes up with a wrong time and never vouches for it."""
    marks = [mark(n * SECOND, START + dt.timedelta(seconds=n)) for n in range(600)]
    wrong = dt.datetime(2009, 3, 1, 3, tzinfo=dt.UTC)
    marks += [mark((2400 + n) * SECOND, wrong + dt.timedelta(seconds=n), trusted=False) for n in range(900)]
    line = fit_timeline(marks)
    stamp = line.stamp(2400 * SECOND)
    assert stamp is not None
    assert abs((stamp.utc - START).total_seconds() - 2400) < 0.2
    assert line.marks_used == 600
    assert any("do not agree" in note for note in line.notes)


def test_ticks_on_both_sides_have_their_own_rate() -> None:
    """The board was cold before and warm after: neither side's slope is spoilt by the other."""
    marks = [mark(round(n * 1.003 * SECOND), START + dt.timedelta(seconds=n)) for n in range(600)]
    shift = 3600 * 1.0032
    marks += [mark(round((shift + n * 1.0034) * SECOND), START + dt.timedelta(seconds=3600 + n)) for n in range(600)]
    line = fit_timeline(marks)
    for n in (10, 300, 590):
        for ticks, since in ((n * 1.003, n), (shift + n * 1.0034, 3600 + n)):
            stamp = line.stamp(round(ticks * SECOND))
            assert stamp is not None
            assert abs((stamp.utc - START).total_seconds() - since) < 0.001
    assert line.drift_range_ppm is not None
    assert np.allclose(line.drift_range_ppm, (3000, 3400), atol=15)
