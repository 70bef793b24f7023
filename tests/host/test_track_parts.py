"""A run in parts is the run: the same rows, the same findings once each, one time line; in bounded memory."""

from __future__ import annotations

import random
import tracemalloc
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest
from offtake.dialects.message import DecodeCounts
from offtake.track import parts
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fix import Fix, Track
from offtake.track.fixes import NO_TIME, FixColumns
from offtake.track.limits import Limits
from offtake.track.marks import NO_DAY
from offtake.track.parts import FOREVER_US, Told, TrackPart, track_parts
from offtake.track.skies import SkyColumns
from offtake.track.timeline import TimeLine, fit_timeline
from offtake.track.timeline.join import PartsLine
from track_random import DAY_US, make_batches, make_fixes

ROWS = 1300
SIZES = [(400, 150), (250, 100), (97, 60)]


def in_parts(
    batches: Sequence[EpochBatch], size: tuple[int, int], monkeypatch: pytest.MonkeyPatch, told: Told | None = None,
    known: TimeLine | None = None, limits: Limits | None = None,
) -> list[TrackPart]:  # fmt: skip
    monkeypatch.setattr(parts, "PART_EPOCHS", size[0])
    monkeypatch.setattr(parts, "OVERLAP_EPOCHS", size[1])
    return list(track_parts(batches, 1, lambda: told or Told(), known=known, limits=limits))


def as_whole(
    batches: Sequence[EpochBatch], told: Told | None = None, limits: Limits | None = None
) -> tuple[Track, Analysis]:
    told = told or Told()
    every = EpochBatch.concat(batches)
    line = fit_timeline(every.marks)
    fixes = every.fixes.with_utc(line.mark_utc_us)
    track = Track(1, fixes, told.counts, every.skies.with_utc(fixes.utc_us), line, told.notes)
    return track, analyse(track, losses=told.losses, end_tick_us=told.end_tick_us, limits=limits)


def seams(found: Sequence[TrackPart]) -> None:
    """Parts follow each other without a hole, in rows and in ticks."""
    number, from_us = 0, 0
    for part in found:
        assert (part.number, part.from_tick_us) == (number, from_us)
        assert part.until_tick_us >= from_us
        rows = part.track.skies.fix
        assert ((rows >= 0) & (rows < len(part.track.fixes))).all()
        assert part.track.timeline is not None
        assert len(part.track.timeline.residuals_s) == len(part.track.fixes)
        number, from_us = number + len(part.track.fixes), part.until_tick_us
    assert all(part.is_last == (part is found[-1]) for part in found)
    assert from_us == FOREVER_US


def doubts(found: Sequence[TrackPart]) -> set[tuple[int, str]]:
    return {
        (part.number + row, one.kind)
        for part in found
        for one in part.analysis.glitches
        for row in range(one.first, one.last + 1)
    }


def named(glitches: Sequence[Glitch]) -> list[tuple[str, int, int, int, int]]:
    return [(one.kind, one.first, one.last, one.start_tick_us, one.end_tick_us) for one in glitches]


@pytest.mark.parametrize("seed", range(6))
def test_a_run_that_is_no_longer_is_one_part_and_the_whole(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    batches = make_batches(make_fixes(seed, 700), seed)
    told = Told(DecodeCounts(decoded=5), ("note",), (3_000_000, 9_000_000), 10**12)
    track, analysis = as_whole(batches, told)
    (part,) = in_parts(batches, (700, 100), monkeypatch, told)
    seams([part])
    assert part.track.fixes == track.fixes
    assert part.track.skies == track.skies
    assert (part.track.counts, part.track.notes) == (track.counts, track.notes)
    assert part.analysis == analysis
    assert (part.gaps, part.glitches) == (analysis.gaps, analysis.glitches)
    line = part.track.timeline
    assert line is not None
    assert track.timeline is not None
    assert np.array_equal(line.residuals_s, track.timeline.residuals_s, equal_nan=True)
    assert np.array_equal(line.knots_gps_s, track.timeline.knots_gps_s)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("seed", range(8))
def test_rows_of_a_true_clock_are_those_of_the_whole(
    seed: int, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    batches = make_batches(make_fixes(seed, 1500, calm=True), seed, dated=random.Random(seed).choice((1, 7)))
    # By the usual interval, which differs a little from part to part, some would be just a gap or just none.
    limits = Limits(gap_s=3.3)
    track, analysis = as_whole(batches, limits=limits)
    found = in_parts(batches, size, monkeypatch, limits=limits)
    seams(found)
    assert len(found) >= 1500 // size[0]
    assert FixColumns.concat([part.track.fixes for part in found]) == track.fixes
    assert [sky for part in found for sky in part.track.skies] == list(track.skies)
    rows = np.concatenate([part.track.skies.fix + part.number for part in found])
    assert rows.tolist() == track.skies.fix.tolist()
    assert [gap for part in found for gap in part.gaps] == list(analysis.gaps)
    assert sum(part.analysis.distance_m for part in found) == pytest.approx(analysis.distance_m, rel=0.01, abs=20)
    assert sum(count for part in found for _, count in part.analysis.quality_counts) == 1500


@pytest.mark.parametrize("seed", range(12))
def test_whatever_a_log_says_its_rows_come_once(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    batches, random_ = make_batches(make_fixes(seed, 1500), seed), np.random.default_rng(seed)
    if seed % 3 == 0:
        # Ticks of a made-up log, that go to and fro and past the calendar.
        wild = [random_.integers(0, 2**53, len(one.fixes)) for one in batches]
        batches = [
            EpochBatch(replace(one.fixes, tick_us=ticks), replace(one.marks, tick_us=ticks), one.skies)
            for one, ticks in zip(batches, wild, strict=True)
        ]
    found = in_parts(batches, SIZES[seed % len(SIZES)], monkeypatch, Told(losses=(5, 10**9), end_tick_us=2**53))
    assert [part.is_last for part in found[-2:]] == [False, True]
    every = EpochBatch.concat(batches)
    bare = [part.track.fixes.with_utc(np.full(len(part.track.fixes), NO_TIME)) for part in found]
    assert FixColumns.concat(bare) == every.fixes
    assert sum(len(part.track.skies) for part in found) == len(every.skies)
    assert all(part.until_tick_us >= part.from_tick_us for part in found)
    joined = PartsLine()
    for part in found:
        joined.add(part.track.timeline, part.from_tick_us, part.until_tick_us)
    line = joined.line
    assert line is not None
    assert (np.diff(line.knots_tick_s) > 0).all()
    line.stamp_many(np.array([0, 10**9, 2**53], dtype=np.int64))


def driven(jumps: Sequence[tuple[int, int]], void: Sequence[tuple[int, int]] = ()) -> tuple[Fix, ...]:
    """An even drive along a meridian, with positions that are off or missing for some epochs."""
    off = {row for first, last in jumps for row in range(first, last + 1)}
    missing = {row for first, last in void for row in range(first, last + 1)}
    base = make_fixes(1, 1)[0].utc
    assert base is not None
    fixes = []
    for row in range(ROWS):
        fix = Fix(1, 1_000_000 * (row + 2), base, 1_000_000 * row)
        if row not in missing:
            place = (10 + row * 5 / 111_000 + (0.02 if row in off else 0.0), 20.0)
            fix = replace(fix, latitude_deg=place[0], longitude_deg=place[1], speed_m_s=5.0, course_deg=0.0)
        fixes.append(fix)
    return tuple(fixes)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_glitches_at_and_over_seams_are_listed_once(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    part = size[0]
    jumps = [(30, 31), (part - 1, part), (2 * part - 3, 2 * part - 1), (2 * part + 20,) * 2, (3 * part, 3 * part + 2)]
    batches = make_batches(driven(jumps), 1)
    _, analysis = as_whole(batches)
    assert len(analysis.glitches) == len(jumps)
    found = in_parts(batches, size, monkeypatch)
    seams(found)
    listed = [one for one_part in found for one in one_part.glitches]
    assert named(listed) == named(analysis.glitches)
    assert doubts(found) == {(row, one.kind) for one in analysis.glitches for row in range(one.first, one.last + 1)}
    for one_part in found:
        for one in one_part.analysis.glitches:
            assert 0 <= one.first <= one.last < len(one_part.track.fixes)


@pytest.mark.parametrize("size", SIZES, ids=str)
def test_gaps_of_any_length_are_told_once_and_whole(size: tuple[int, int], monkeypatch: pytest.MonkeyPatch) -> None:
    part = size[0]
    # One before the first position, one over a seam, one as long as several parts, one to the end.
    void = [(0, 40), (part - 5, part + 5), (2 * part, min(4 * part + 10, 1000)), (ROWS - 10, ROWS - 1)]
    batches = make_batches(driven([], void), 1)
    told = Told(losses=(1_000_000 * (part + 1), 30_000_000), end_tick_us=1_400_000_000)
    _, analysis = as_whole(batches, told)
    assert len(analysis.gaps) == len(void)
    found = in_parts(batches, size, monkeypatch, told)
    listed: list[Gap] = [gap for one in found for gap in one.gaps]
    assert listed == list(analysis.gaps)
    ends = {one.number + gap.last for one in found for gap in one.analysis.gaps if gap.last is not None}
    assert ends == {gap.last for gap in analysis.gaps if gap.last is not None}


def test_a_part_without_any_date_has_those_of_the_part_before(monkeypatch: pytest.MonkeyPatch) -> None:
    batches = make_batches(driven([]), 1, dated=10_000)
    track, _ = as_whole(batches)
    found = in_parts(batches, (250, 100), monkeypatch)
    assert len(found) == 6
    assert FixColumns.concat([part.track.fixes for part in found]) == track.fixes
    assert not (track.fixes.utc_us == NO_TIME).any()


def test_dates_come_from_a_line_that_is_known_where_none_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    batches = make_batches(driven([]), 1)
    track, _ = as_whole(batches)
    late = [replace(one, marks=replace(one.marks, day=np.full_like(one.marks.day, NO_DAY))) for one in batches]
    undated = in_parts(late, (250, 100), monkeypatch)
    assert (FixColumns.concat([part.track.fixes for part in undated]).utc_us == NO_TIME).all()
    dated = in_parts(late, (250, 100), monkeypatch, known=track.timeline)
    assert FixColumns.concat([part.track.fixes for part in dated]) == track.fixes


@pytest.mark.parametrize("seed", range(4))
def test_the_parts_lines_are_one_line(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    batches = make_batches(make_fixes(seed, 1500, calm=True), seed)
    track, _ = as_whole(batches)
    joined = PartsLine()
    found = in_parts(batches, (400, 150), monkeypatch)
    for part in found:
        joined.add(part.track.timeline, part.from_tick_us, part.until_tick_us)
    line = joined.line
    assert line is not None
    assert track.timeline is not None
    ticks = np.linspace(0, int(track.fixes.tick_us[-1]) + 10_000_000, 5000).astype(np.int64)
    whole, off_s = track.timeline.stamp_many(ticks)
    parted, _ = line.stamp_many(ticks)
    apart_s = np.abs((whole - parted).astype(np.int64)) / 1e6
    assert (apart_s <= off_s + 0.001).all()
    assert (np.diff(line.knots_tick_s) > 0).all()
    alone = PartsLine()
    alone.add(track.timeline, 0, FOREVER_US)
    assert alone.line is track.timeline
    assert PartsLine().line is None


def test_lines_are_joined_over_unseen_rounds_of_the_counter() -> None:
    def line(x: list[float], y: list[float], wraps: tuple[tuple[int, float], ...]) -> TimeLine:
        return TimeLine(np.array(x), np.array(y), wraps, knots_error_s=np.full(len(x), 0.001))

    joined = PartsLine()
    joined.add(line([10.0, 40.0, 120.0], [1010.0, 1040.0, 1120.0], ((50_000_000, 60.0),)), 0, 60_000_000)
    # This one saw the round in its overlap and counts from there on too; the next one did not.
    joined.add(line([110.0, 130.0, 150.0], [1110.0, 1130.0, 1150.0], ((50_000_000, 60.0),)), 60_000_000, 100_000_000)
    joined.add(line([90.0, 110.0, 130.0], [1150.0, 1170.0, 1190.0], ()), 100_000_000, FOREVER_US)
    made = joined.line
    assert made is not None
    assert made.wraps == ((50_000_000, 60.0),)
    for tick_us, gps_s in ((20_000_000, 1020.0), (70_000_000, 1130.0), (105_000_000, 1165.0), (130_000_000, 1190.0)):
        assert made.gps_seconds(made.tick_seconds(np.array([tick_us])))[0] == pytest.approx(gps_s, abs=1e-6)


def test_a_run_without_epochs_is_one_part() -> None:
    (part,) = track_parts([EpochBatch.of((), 1)], 1, lambda: Told(end_tick_us=60_000_000))
    assert len(part.track.fixes) == 0
    assert [gap.seconds for gap in part.gaps] == [60.0]


def test_very_many_satellites_make_shorter_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_SATELLITES", 300)
    batches = make_batches(make_fixes(2, 900, calm=True), 2)
    track, _ = as_whole(batches)
    found = in_parts(batches, (10_000, 50), monkeypatch)
    seams(found)
    assert len(found) > 1
    assert max(len(part.track.skies.system) for part in found) <= 300 + 5
    assert FixColumns.concat([part.track.fixes for part in found]) == track.fixes
    assert [sky for part in found for sky in part.track.skies] == list(track.skies)


def test_memory_is_that_of_a_part_however_long_the_run(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parts, "PART_EPOCHS", 2000)
    monkeypatch.setattr(parts, "OVERLAP_EPOCHS", 200)

    def endless(count: int) -> Iterator[EpochBatch]:
        base = EpochBatch.concat(make_batches(driven([]), 1))
        for turn in range(count):
            passed = turn * ROWS * 1_000_000
            moved = replace(base.fixes, tick_us=base.fixes.tick_us + passed)
            clock_us = (base.marks.time_of_day_us + passed) % DAY_US
            marks = replace(base.marks, tick_us=base.marks.tick_us + passed, time_of_day_us=clock_us)
            yield EpochBatch(moved, marks, SkyColumns.empty(1))

    def peak(count: int) -> int:
        tracemalloc.start()
        epochs = sum(len(part.track.fixes) for part in track_parts(endless(count), 1, Told))
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert epochs == ROWS * count
        return most

    few, many = peak(8), peak(48)
    assert many < 1.3 * few
