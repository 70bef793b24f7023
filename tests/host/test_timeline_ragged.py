"""Marks that must not shape the line, whatever they say: early, after losses, late together, absurd."""

from __future__ import annotations

import datetime as dt
import random
import time
from dataclasses import replace

import numpy as np
import pytest
from offtake.track.timeline import TimeLine, fit_timeline
from offtake.track.timemark import TimeMark
from timeline_worlds import Told, World, errors_s, ragged_world, tell

SECOND = 1_000_000
CLEAN = World("clean", seconds=1800, offset_ppm=2000, tells="date")


def error_s(line: TimeLine, told: Told) -> float:
    """The greatest error of two thousand bytes of the run."""
    return float(np.abs(line.gps_seconds(line.tick_seconds(told.ticks_us)) - told.true_s).max())


@pytest.mark.parametrize("early_ms", [5, 50, 200, 450])
def test_one_early_mark_does_not_bend_the_line(early_ms: int) -> None:
    told = tell(CLEAN)
    marks = list(told.marks)
    marks[700] = replace(marks[700], tick_us=marks[700].tick_us - early_ms * 1000)
    line = fit_timeline(marks)
    assert error_s(line, told) < 0.0005
    assert line.marks_rejected == 1
    assert line.residuals_s[700] == pytest.approx(early_ms / 1000, abs=0.02)
    assert any(note.startswith("1 of 1800 epochs came before") for note in line.notes)


def test_marks_after_losses_are_dated_but_do_not_shape_the_line() -> None:
    told = tell(replace(CLEAN, loss_share=0.05))
    line = fit_timeline(told.marks)
    lossy = sum(mark.after_loss for mark in told.marks)
    assert lossy > 50
    assert line.marks_rejected == lossy
    assert None not in line.mark_utc
    assert error_s(line, told) < 0.0005


def test_marks_after_losses_are_better_than_none() -> None:
    told = tell(replace(CLEAN, seconds=300))
    line = fit_timeline([replace(mark, after_loss=True) for mark in told.marks])
    assert line.marks_used == 300
    assert error_s(line, told) < 0.001


@pytest.mark.parametrize(
    "spells", [((300.0, 420.0),), ((0.0, 60.0),), ((1740.0, 1800.0),), ((200.0, 230.0), (900.0, 1300.0))], ids=str
)
def test_a_stretch_of_which_all_are_late_is_bridged(spells: tuple[tuple[float, float], ...]) -> None:
    told = tell(replace(CLEAN, spells=spells))
    line = fit_timeline(told.marks)
    assert error_s(line, told) < 0.001
    late = sum(end - begin for begin, end in spells)
    assert late - 20 <= line.marks_rejected <= late + 5
    assert any("came late together" in note for note in line.notes)


def test_lateness_that_stays_is_followed() -> None:
    """A receiver that answers more slowly from then on: nothing tells it from a clock that was put back."""
    told = tell(replace(CLEAN, spells=((700.0, 1800.0),)))
    line = fit_timeline(told.marks)
    assert line.marks_rejected < 20
    before, after = told.tick_s < 590, told.tick_s > 830
    error = line.gps_seconds(line.tick_seconds(told.ticks_us)) - told.true_s
    assert np.abs(error[before]).max() < 0.003
    assert error[after] == pytest.approx(np.full(after.sum(), -0.05), abs=0.003)


@pytest.mark.parametrize("a_second", [3, 6, 7, 8, 30])
@pytest.mark.parametrize("up_us", [5000, 0], ids=["rounded", "cut"])
def test_hundredths_stand_for_fractions(a_second: int, up_us: int) -> None:
    told = tell(replace(CLEAN, seconds=300, rate_hz=a_second))
    marks = []
    for mark in told.marks:
        assert mark.time_of_day_us is not None
        marks.append(replace(mark, time_of_day_us=(mark.time_of_day_us + up_us) // 10_000 * 10_000))
    line = fit_timeline(marks)
    assert error_s(line, told) < 0.0005
    assert any("in hundredths" in note for note in line.notes)
    # What is shown of a mark is the receiver's own word.
    shown = line.mark_utc[1]
    assert shown is not None
    assert shown.microsecond == marks[1].time_of_day_us % SECOND  # type: ignore[operator]


def test_whole_hundredths_are_left_alone() -> None:
    line = fit_timeline(tell(replace(CLEAN, seconds=300, rate_hz=10)).marks)
    assert not any("in hundredths" in note for note in line.notes)


def test_seconds_late_in_a_row_do_not_move_the_second() -> None:
    """Late by more than half a second, rising, falling, out of order."""
    told = tell(CLEAN)
    marks = list(told.marks)
    for first, lateness in ((400, (0.55, 0.2)), (500, (0.35, 0.7, 1.05, 1.4)), (700, (0.3, 0.6, 0.9, 0.7, 0.45))):
        for number, seconds in enumerate(lateness):
            mark = marks[first + number]
            marks[first + number] = replace(mark, tick_us=mark.tick_us + round(seconds * SECOND))
    assert error_s(fit_timeline(marks), told) < 0.0005


def test_beyond_the_ends_the_uncertainty_covers_a_warming_board() -> None:
    """The rate falls by 1,000 ppm with a time constant of 300 s; nothing is told in the first 400 s."""
    ticks = np.arange(400.0, 1800.0)
    logger = ticks * 1.002 + 0.3 * (1 - np.exp(-ticks / 300))
    start = dt.datetime(2024, 5, 17, 9, tzinfo=dt.UTC)
    marks = [
        TimeMark(round(one * SECOND), int((9 * 3600 + seconds) * SECOND), start.date(), trusted=True)
        for one, seconds in zip(logger, ticks, strict=True)
    ]
    line = fit_timeline(marks)
    early = np.linspace(0, 399, 50)
    asked = np.rint((early * 1.002 + 0.3 * (1 - np.exp(-early / 300))) * SECOND).astype(np.int64)
    utc, uncertainty = line.stamp_many(asked)
    error = (utc - np.datetime64("2024-05-17T09:00:00", "us")).astype(np.int64) / 1e6 - early
    assert np.abs(error).max() > 0.05
    assert (np.abs(error) <= uncertainty).all()


def absurd_mark(draw: random.Random, tick_us: int) -> TimeMark:
    return TimeMark(
        tick_us,
        draw.choice([None, draw.randrange(86_400 * SECOND), tick_us % (86_400 * SECOND), -1, 2**63]),
        draw.choice([None, dt.date(2024, 5, 1), dt.date.min, dt.date.max, dt.date(1980, 1, 6)]),
        draw.choice([None, 2300, 0, 1023, 2**31, -5, 418_000]),
        draw.choice([None, 10, 16, 0, -1]),
        draw.choice([None, tick_us % (604_800 * SECOND), -1, 2**60]),
        draw.choice([None, 18, -127, 127, 0]),
        trusted=draw.random() < 0.5,
        after_loss=draw.random() < 0.2,
    )


@pytest.mark.filterwarnings("error")
def test_no_marks_are_too_absurd() -> None:
    draw = random.Random(4)
    for _ in range(400):
        marks, tick_us = [], 0
        for _ in range(draw.choice([0, 1, 2, 7, 8, 9, 30, 60, 200])):
            tick_us += draw.choice([0, 1000, SECOND, SECOND, SECOND, -500_000, 17_179_869_184, 2**40])
            tick_us = draw.choice([0, -5, 2**62, 10**15]) if draw.random() < 0.02 else tick_us
            marks.append(absurd_mark(draw, tick_us))
        line = fit_timeline(marks, latency_s=draw.choice([0.0, 0.1]))
        assert len(line.mark_utc) == len(line.residuals_s) == len(marks)
        utc, uncertainty = line.stamp_many(np.array([0, tick_us, -(10**9), 2**62, -(2**62), 10**15]))
        assert (uncertainty[np.isnat(utc)] == np.inf).all()
        assert (uncertainty >= 0).all()
        assert line.stamp(2**70) is None
        assert (np.diff(line.knots_tick_s) > 0).all()
        assert np.isfinite(line.knots_gps_s).all()


def test_ticks_of_a_damaged_log_take_no_memory_and_no_stamp() -> None:
    marks = [TimeMark(n * SECOND, n * SECOND, dt.date(2024, 5, 1), trusted=True) for n in range(20)]
    far = [TimeMark(10**17 + n * SECOND, n * SECOND, dt.date(2024, 5, 1), trusted=True) for n in range(9)]
    line = fit_timeline([*marks, *far])
    assert line.stamp(5 * SECOND) is not None
    assert line.stamp(10**18) is None


def pooled(seeds: range) -> tuple[float, float, float]:
    """Over the bytes of all these runs: what 95 % stay within, the greatest error, and the share within the
    uncertainty told."""
    found = [errors_s(ragged_world(seed))[:2] for seed in seeds]
    errors = np.abs(np.concatenate([one[0] for one in found]))
    uncertainty = np.concatenate([one[1] for one in found])
    return float(np.percentile(errors, 95)), float(errors.max()), float(np.mean(errors <= uncertainty))


def test_everything_at_once() -> None:
    p95, most, within = pooled(range(20))
    assert p95 < 0.002
    assert most < 0.5
    assert within > 0.95


@pytest.mark.long
def test_everything_at_once_in_many_runs() -> None:
    p95, most, within = pooled(range(20, 800))
    assert p95 < 0.002
    assert most < 0.5
    assert within > 0.95


@pytest.mark.long
def test_a_day_at_ten_a_second() -> None:
    told = tell(replace(CLEAN, seconds=86_400, rate_hz=10, sweep_ppm=200, sweep_s=20_000, jitter_ms=4))
    begun = time.process_time()
    line = fit_timeline(told.marks)
    assert time.process_time() - begun < 30
    assert len(told.marks) == 864_000
    assert error_s(line, told) < 0.001
