"""Segments, boxes and distances."""

from __future__ import annotations

import dataclasses
import datetime as dt

import pytest
from offtake.dialects.message import DecodeCounts
from offtake.errors import UsageError
from offtake.track.fix import Fix, Track
from offtake.track.segments import split_segments
from offtake.track.summary import BoundingBox, bounding_box, distance_m, summarize


def fix(second: float, latitude: float | None = None, longitude: float | None = None) -> Fix:
    utc = dt.datetime(2024, 5, 1, tzinfo=dt.UTC) + dt.timedelta(seconds=second)
    return Fix(run=1, tick_us=round(second * 1e6), utc=utc, latitude_deg=latitude, longitude_deg=longitude)


def test_segments_part_at_gaps_and_leave_out_epochs_without_position() -> None:
    fixes = (fix(0, 1, 1), fix(1), fix(2, 1, 1), fix(12, 1, 1), fix(22.5, 1, 1), fix(23))
    segments = list(split_segments(Track(1, fixes), 10.0))
    assert [[one.tick_us for one in part] for part in segments] == [[0, 2_000_000, 12_000_000], [22_500_000]]
    assert len(list(split_segments(Track(1, fixes), 11.0))) == 1
    assert list(split_segments(Track(1, (fix(0),)), 10.0)) == []


@pytest.mark.parametrize("gap_s", [0.0, -1.0, float("nan")])
def test_a_gap_must_be_positive(gap_s: float) -> None:
    with pytest.raises(UsageError, match="positive"):
        list(split_segments(Track(1, ()), gap_s))


def test_box_and_the_180th_meridian() -> None:
    def box(*positions: tuple[float, float]) -> BoundingBox | None:
        return bounding_box(fix(0, *position) for position in positions)

    assert box() is None
    assert box((1.25, 2.5)) == BoundingBox(1.25, 2.5, 1.25, 2.5)
    assert box((1.0, 2.0), (-1.0, 3.0), (0.0, -4.0)) == BoundingBox(-1.0, -4.0, 1.0, 3.0)
    assert box((0.0, 179.5), (0.0, -179.5)) == BoundingBox(0.0, 179.5, 0.0, -179.5)
    assert box((0.0, -179.5), (0.0, 179.5), (0.0, -170.0)) == BoundingBox(0.0, 179.5, 0.0, -170.0)
    around = [(0.0, float(longitude)) for longitude in (0, 100, -160, -60, 40)]
    assert box(*around) == BoundingBox(0.0, -180.0, 0.0, 180.0)


def test_gaps_are_not_bridged_by_the_distance() -> None:
    north = (fix(0, 0.0, 0.0), fix(1, 0.001, 0.0), fix(100, 1.0, 0.0), fix(101, 1.001, 0.0))
    summary = summarize([Track(1, north)])
    assert summary.distance_m == pytest.approx(distance_m(north[:2]) + distance_m(north[2:]))
    assert summary.distance_m < 250


def test_the_summary_adds_up_runs() -> None:
    counts = DecodeCounts(bad_checksum=2, unknown=3, invalid=4)
    first = Track(1, (fix(5, 1.0, 1.0), fix(6), fix(7, 1.0, 1.0)), counts)
    second = Track(2, (dataclasses.replace(fix(1, 2.0, 2.0), run=2),), counts)
    summary = summarize([first, second])
    assert (summary.runs, summary.epochs, summary.fixes) == (2, 4, 3)
    assert (summary.first_utc, summary.last_utc) == (fix(1).utc, fix(7).utc)
    assert (summary.checksum_failures, summary.unknown_sentences, summary.invalid_sentences) == (4, 6, 8)
    assert summary.bounds == BoundingBox(1.0, 1.0, 2.0, 2.0)
    assert summary.distance_m == 0.0


def test_nothing_gives_nothing() -> None:
    summary = summarize([])
    assert (summary.runs, summary.fixes, summary.bounds, summary.first_utc) == (0, 0, None, None)
