"""Lines are cut at 180 degrees of longitude so that no part passes it and no vertex is lost."""

from __future__ import annotations

import datetime as dt
import json
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from offtake.export.geojson import write_geojson
from offtake.export.inputs import ExportInput
from offtake.export.meridian import cut_at_180
from offtake.export.values import ExportCounts
from offtake.track.fix import Fix, Track

LONGITUDES = st.one_of(
    st.sampled_from([-180.0, -179.9, -90.0, 0.0, 90.0, 179.9, 179.99999999999997]),
    st.floats(-180.0, 180.0, exclude_max=True),
)
LINES = st.lists(st.tuples(LONGITUDES, st.floats(-90.0, 90.0)), min_size=1, max_size=12)


def test_the_example_of_the_standard() -> None:
    # RFC 7946, section 3.1.9: a line from 45 N 170 E across to 45 N 170 W; from memory.
    parts = cut_at_180([(170.0, 45.0), (-170.0, 45.0)])
    assert parts == [[(0, (170.0, 45.0)), (None, (180.0, 45.0))], [(None, (-180.0, 45.0)), (1, (-170.0, 45.0))]]


@pytest.mark.parametrize(
    ("line", "longitudes"),
    [
        ([179.5, -179.5, 179.75], [[179.5, 180.0], [-180.0, -179.5, -180.0], [180.0, 179.75]]),
        ([179.0, -180.0], [[179.0, 180.0]]),
        ([-180.0, 179.0], [[180.0, 179.0]]),
        ([-179.0, -180.0], [[-179.0, -180.0]]),
        ([179.0, -180.0, -179.0], [[179.0, 180.0], [-180.0, -179.0]]),
        ([-179.0, -180.0, 179.0], [[-179.0, -180.0], [180.0, 179.0]]),
        ([179.0, -180.0, 178.0], [[179.0, 180.0], [180.0, 178.0]]),
        ([-180.0], [[-180.0]]),
        ([10.0, 20.0], [[10.0, 20.0]]),
    ],
)
def test_lines_that_touch_or_cross(line: list[float], longitudes: list[list[float]]) -> None:
    parts = cut_at_180([(longitude, 1.0) for longitude in line])
    assert [[vertex[0] for _, vertex in part] for part in parts] == longitudes
    assert all(vertex[1] == 1.0 for part in parts for _, vertex in part)


def test_latitude_and_height_on_the_meridian_lie_straight_between() -> None:
    first, second = cut_at_180([(179.0, 10.0, 100.0), (-178.0, 13.0, 400.0)])
    assert first[-1] == (None, (180.0, pytest.approx(11.0), pytest.approx(200.0)))
    assert second[0] == (None, (-180.0, *first[-1][1][1:]))


@given(LINES)
def test_every_vertex_is_in_one_part_and_no_part_passes(line: list[tuple[float, float]]) -> None:
    parts = cut_at_180(line)
    assert [index for part in parts for index, _ in part if index is not None] == list(range(len(line)))
    for part in parts:
        assert len(part) > 1 or len(line) == 1
        for index, vertex in part:
            assert abs(vertex[0]) <= 180.0
            if index is not None:
                assert vertex[1:] == line[index][1:]
                assert vertex[0] == line[index][0] or (vertex[0], line[index][0]) == (180.0, -180.0)
        assert all(abs(one[0] - other[0]) <= 180.0 for (_, one), (_, other) in pairwise(part))
    for before, after in pairwise(parts):
        assert abs(before[-1][1][0]) == abs(after[0][1][0]) == 180.0
        assert before[-1][1][1] == pytest.approx(after[0][1][1])


def test_geojson_lines_are_cut_and_their_times_follow(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    noon = dt.datetime(2024, 5, 1, 12, tzinfo=dt.UTC)
    height = {"altitude_m": 10.0, "geoid_separation_m": 40.5}
    fixes = tuple(
        Fix(
            run=1,
            tick_us=n * 1_000_000,
            utc=noon + dt.timedelta(seconds=n),
            latitude_deg=0.0,
            longitude_deg=lon,
            **height,
        )
        for n, lon in enumerate((179.5, 179.75, -179.75, -179.5))
    )
    assert write_geojson(ExportInput([Track(1, fixes)]), path, points=False) == ExportCounts(4, 1, 0)
    (feature,) = json.loads(path.read_text())["features"]
    assert feature["geometry"] == {
        "type": "MultiLineString",
        "coordinates": [
            [[179.5, 0.0, 50.5], [179.75, 0.0, 50.5], [180.0, 0.0, 50.5]],
            [[-180.0, 0.0, 50.5], [-179.75, 0.0, 50.5], [-179.5, 0.0, 50.5]],
        ],
    }
    assert feature["properties"]["times"] == [
        ["2024-05-01T12:00:00Z", "2024-05-01T12:00:01Z", None],
        [None, "2024-05-01T12:00:02Z", "2024-05-01T12:00:03Z"],
    ]


def test_geojson_heights_stand_only_where_the_whole_line_has_them(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    fixes = (
        Fix(run=1, tick_us=0, latitude_deg=0.0, longitude_deg=1.0, height_m=12.5),
        Fix(run=1, tick_us=1, latitude_deg=0.0, longitude_deg=2.0, altitude_m=3.0),
    )
    write_geojson(ExportInput([Track(1, fixes)]), path)
    line, first, second = (one["geometry"]["coordinates"] for one in json.loads(path.read_text())["features"])
    assert (line, first, second) == ([[1.0, 0.0], [2.0, 0.0]], [1.0, 0.0, 12.5], [2.0, 0.0])
