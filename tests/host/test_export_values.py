"""How values look in exported files, and what is refused."""

from __future__ import annotations

import csv
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lxml import etree
from offtake.errors import DamageError, UsageError
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import LINE_VERTICES_MAX, write_kml
from offtake.export.values import (
    LABEL_LENGTH_MAX,
    ExportCounts,
    checked_position,
    clean_label,
    decimal_text,
    ellipsoid_height_m,
    iso_utc,
    mean_sea_level_m,
)
from offtake.track.fix import Fix, Track
from offtake.track.values import Satellite, Sky
from table_writers import write_csv, write_fixes_parquet

SEEDED = settings(derandomize=True, deadline=None, max_examples=200, database=None)
START = dt.datetime(2024, 5, 1, 12, 0, 0, tzinfo=dt.UTC)


def fix(second: float, latitude: float | None = 1.25, longitude: float | None = 2.5, **others: Any) -> Fix:
    utc = others.pop("utc", START + dt.timedelta(seconds=second))
    return Fix(run=1, tick_us=round(second * 1e6), utc=utc, latitude_deg=latitude, longitude_deg=longitude, **others)


def exported(*fixes: Fix, label: str = "") -> ExportInput:
    return ExportInput([Track(1, fixes)], label=label)


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        (dt.datetime(2021, 3, 6, 10, 36, 7, tzinfo=dt.UTC), "2021-03-06T10:36:07Z"),
        (dt.datetime(2021, 3, 6, 10, 36, 7, 250_000, tzinfo=dt.UTC), "2021-03-06T10:36:07.25Z"),
        (dt.datetime(2021, 3, 6, 10, 36, 10, 1, tzinfo=dt.UTC), "2021-03-06T10:36:10.000001Z"),
        (
            dt.datetime(2021, 3, 6, 11, 36, 0, tzinfo=dt.timezone(dt.timedelta(hours=1))),
            "2021-03-06T10:36:00Z",
        ),
    ],
)
def test_times_are_utc_with_z(moment: dt.datetime, text: str) -> None:
    assert iso_utc(moment) == text
    assert dt.datetime.fromisoformat(text) == moment


def test_a_time_without_zone_is_refused() -> None:
    with pytest.raises(DamageError, match="no time zone"):
        iso_utc(dt.datetime(2021, 3, 6))


@pytest.mark.parametrize(
    "made",
    [
        lambda moment: Track(1, (Fix(1, 0, utc=moment),)),
        lambda moment: Track(1, (Fix(1, 0),), skies=(Sky(1, 0, moment, (Satellite("gps", 3),)),)),
        lambda moment: Track(1, (Fix(1, 0, utc=moment), Fix(1, 1, utc=moment.replace(tzinfo=dt.UTC)))),
    ],
)
def test_no_track_can_hold_a_time_without_zone(made: Callable[[dt.datetime], Track]) -> None:
    """It would become some moment or other in every file."""
    with pytest.raises(TypeError, match="naive"):
        made(dt.datetime(2021, 3, 6))
    assert made(dt.datetime(2021, 3, 6, tzinfo=dt.UTC)).run == 1


@SEEDED
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_decimals_read_back_the_same_and_have_no_exponent(value: float) -> None:
    text = decimal_text(value)
    assert float(text) == value
    assert "e" not in text.lower()


def test_decimals_are_short() -> None:
    assert [decimal_text(value) for value in (1.0, 0.1, 1e-7, -0.5, 1e22, 53.450657)] == [
        "1",
        "0.1",
        "0.0000001",
        "-0.5",
        "10000000000000000000000",
        "53.450657",
    ]


def test_a_fix_says_nothing_by_nan(tmp_path: Path) -> None:
    with pytest.raises(DamageError, match="not finite"):
        decimal_text(float("nan"))
    write_csv(exported(fix(0, hdop=float("nan")), fix(1, float("nan"), 0.0)), tmp_path / "out.csv")
    (first, second) = csv.DictReader((tmp_path / "out.csv").read_text().splitlines())
    assert (first["hdop"], second["latitude_deg"], second["longitude_deg"]) == ("", "", "")


@pytest.mark.parametrize("value", [float("inf"), float("-inf")])
def test_values_that_are_not_finite_are_refused_everywhere(value: float, tmp_path: Path) -> None:
    inputs = exported(fix(0, hdop=value))
    with pytest.raises(DamageError, match="not finite"):
        decimal_text(value)
    for writer in (write_csv, write_gpx, write_geojson, write_fixes_parquet):
        with pytest.raises(DamageError, match="not finite"):
            writer(inputs, tmp_path / "out")
    with pytest.raises(DamageError, match="not finite"):
        write_kml(exported(fix(0, altitude_m=value)), tmp_path / "out")


@pytest.mark.parametrize(
    "position",
    [(90.1, 0.0), (-90.1, 0.0), (0.0, 180.1), (0.0, -180.1), (0.0, float("inf"))],
)
def test_positions_out_of_range_are_refused_everywhere(position: tuple[float, float], tmp_path: Path) -> None:
    one = fix(3, *position)
    with pytest.raises(DamageError, match=r"run 1, tick 3000000 us: .*out of range"):
        checked_position(one)
    for writer in (write_csv, write_gpx, write_kml, write_geojson, write_fixes_parquet):
        with pytest.raises(DamageError):
            writer(exported(one), tmp_path / "out")


def test_the_180th_meridian_is_minus_180() -> None:
    assert checked_position(fix(0, 0.0, 180.0)) == (0.0, -180.0)
    assert checked_position(fix(0, 0.0, -180.0)) == (0.0, -180.0)
    with pytest.raises(DamageError, match="no position"):
        checked_position(fix(0, None, None))


@pytest.mark.parametrize(
    ("heights", "sea_level_m", "ellipsoid_m"),
    [
        ({}, None, None),
        ({"altitude_m": 10.0}, 10.0, None),
        ({"height_m": 50.5}, None, 50.5),
        ({"geoid_separation_m": 40.5}, None, None),
        ({"altitude_m": 10.0, "geoid_separation_m": 40.5}, 10.0, 50.5),
        ({"height_m": 50.5, "geoid_separation_m": 40.5}, 10.0, 50.5),
        ({"altitude_m": 10.0, "geoid_separation_m": 40.5, "height_m": 50.25}, 10.0, 50.25),
    ],
)
def test_heights_are_as_told_or_follow_from_the_geoid(
    heights: dict[str, float], sea_level_m: float | None, ellipsoid_m: float | None
) -> None:
    one = fix(0, **heights)
    assert (mean_sea_level_m(one), ellipsoid_height_m(one)) == (sea_level_m, ellipsoid_m)


HOSTILE = "a<b>&\"'</name><script>\x00\x1b[31m\u202egnp.exe\ud800\ufffe\r\nend]]>" + "x" * 500


def test_labels_are_one_harmless_line() -> None:
    label = clean_label(HOSTILE)
    assert label.startswith("a<b>&\"'</name><script>[31mgnp.exe end]]>")
    assert len(label) == LABEL_LENGTH_MAX
    assert clean_label(" \n\t ") == ""
    assert clean_label("Kanufahrt  mit Ä,  漕ぎ 🛶") == "Kanufahrt mit Ä, 漕ぎ 🛶"


@SEEDED
@given(st.text(st.characters(), max_size=300))
def test_any_label_is_valid_in_xml_and_json(label: str) -> None:
    element = etree.Element("name")
    element.text = clean_label(label)
    assert etree.fromstring(etree.tostring(element)).text in (clean_label(label), None)
    json.dumps(clean_label(label), ensure_ascii=False).encode("utf-8")


def test_hostile_labels_stay_text_and_make_no_file(tmp_path: Path) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    label = "../../evil<x/>"
    inputs = exported(fix(0), fix(1), label=label)
    write_gpx(inputs, folder / "a.gpx")
    write_kml(inputs, folder / "a.kml")
    write_geojson(inputs, folder / "a.geojson")
    names = [
        etree.parse(folder / "a.gpx").findtext(".//{*}metadata/{*}name"),
        etree.parse(folder / "a.kml").findtext(".//{*}Document/{*}name"),
        json.loads((folder / "a.geojson").read_text())["name"],
    ]
    assert names == [label] * 3
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert len(list(folder.iterdir())) == 3


def test_csv_has_a_row_for_each_epoch_and_empty_means_absent(tmp_path: Path) -> None:
    path = tmp_path / "track.csv"
    fixes = (
        fix(0.25, altitude_m=12.5, satellites_used=7, time_of_day_us=43_200_250_000),
        fix(1, None, None, utc=None),
    )
    assert write_csv(exported(*fixes), path) == ExportCounts(1, 1, 0)
    rows = list(csv.DictReader(path.read_text().splitlines()))
    assert [row["utc"] for row in rows] == ["2024-05-01T12:00:00.25Z", ""]
    assert [row["latitude_deg"] for row in rows] == ["1.25", ""]
    assert rows[0]["altitude_m"] == "12.5"
    assert (rows[0]["time_of_day_s"], rows[0]["satellites_used"], rows[0]["after_loss"]) == (
        "43200.25",
        "7",
        "0",
    )
    filled = {name for name, cell in rows[1].items() if cell}
    assert filled == {"run", "fix", "tick_us", "after_loss"}
    assert path.read_bytes().count(b"\r\n") == 3


def test_gpx_segments_and_order(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    fixes = (fix(0), fix(1, None, None), fix(2), fix(13), fix(14, utc=None))
    second = Track(2, (Fix(run=2, tick_us=0, latitude_deg=1.0, longitude_deg=2.0),))
    counts = write_gpx(ExportInput([Track(1, fixes), second], label="two runs"), path)
    assert counts == ExportCounts(positions=5, segments=3, left_out=1)
    root = etree.parse(path).getroot()
    assert root.get("creator") == "offtake 0.1.0"
    segments = [[len(part) for part in track.findall("{*}trkseg")] for track in root.findall("{*}trk")]
    assert segments == [[2, 2], [1]]
    times = [point.findtext("{*}time") for point in root.iter("{*}trkpt")]
    assert times == ["2024-05-01T12:00:00Z", "2024-05-01T12:00:02Z", "2024-05-01T12:00:13Z", None, None]


def test_gpx_kinds_of_fix(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    kinds = [
        ("autonomous", "3d"),
        ("differential", "3d"),
        ("precise", None),
        ("rtk_fixed", "3d"),
        ("other", None),
        ("dead_reckoned", "dead_reckoning"),
    ]
    fixes = tuple(fix(n, fix_quality=quality, fix_type=kind) for n, (quality, kind) in enumerate(kinds))
    write_gpx(exported(*fixes), path)
    points = etree.parse(path).getroot().iter("{*}trkpt")
    assert [point.findtext("{*}fix") for point in points] == ["3d", "dgps", "pps", "3d", None, None]


def test_kml_heights_are_absolute_only_where_all_are_known(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    high = [fix(second, altitude_m=5.5) for second in range(3)]
    mixed = [fix(20, altitude_m=5.5), fix(21)]
    write_kml(exported(*high, *mixed), path)
    first, second = etree.parse(path).getroot().iter("{*}LineString")
    assert first.findtext("{*}altitudeMode") == "absolute"
    assert first.findtext("{*}coordinates") == "2.5,1.25,5.5 2.5,1.25,5.5 2.5,1.25,5.5"
    assert second.findtext("{*}altitudeMode") == "clampToGround"
    assert second.findtext("{*}coordinates") == "2.5,1.25 2.5,1.25"
    points = [
        (one.findtext("{*}altitudeMode"), one.findtext("{*}coordinates")) for one in etree.parse(path).iter("{*}Point")
    ]
    assert set(points) == {("absolute", "2.5,1.25,5.5"), ("clampToGround", "2.5,1.25")}


def test_kml_stamps_sparingly(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    counts = write_kml(exported(*(fix(second) for second in range(150))), path)
    assert counts == ExportCounts(150, 1, 0)
    root = etree.parse(path).getroot()
    whens = [one.text for one in root.iter("{*}when")]
    assert whens == [f"2024-05-01T12:0{m}:{s:02d}Z" for m, s in ((0, 0), (1, 0), (2, 0), (2, 29))]
    assert root.findtext(".//{*}TimeSpan/{*}begin") == "2024-05-01T12:00:00Z"
    assert root.findtext(".//{*}TimeSpan/{*}end") == "2024-05-01T12:02:29Z"
    with pytest.raises(UsageError, match="positive"):
        write_kml(ExportInput([]), tmp_path / "other.kml", stamp_s=0)


def test_a_long_kml_line_is_drawn_in_parts_that_meet(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    count = 2 * LINE_VERTICES_MAX
    write_kml(exported(*(fix(n / 10, 1.0 + n * 1e-6) for n in range(count))), path)
    lines = [(one.findtext("{*}coordinates") or "").split() for one in etree.parse(path).iter("{*}LineString")]
    assert [len(line) for line in lines] == [LINE_VERTICES_MAX, LINE_VERTICES_MAX, 2]
    assert lines[0][-1] == lines[1][0]
    assert lines[1][-1] == lines[2][0]
    assert len({vertex for line in lines for vertex in line}) == count


def test_geojson_points_carry_what_is_known(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    write_geojson(exported(fix(0, altitude_m=10.0, fix_type="3d"), fix(1, None, None)), path)
    (feature,) = json.loads(path.read_text())["features"]
    assert feature["geometry"] == {"type": "Point", "coordinates": [2.5, 1.25]}
    assert feature["properties"] == {
        "kind": "fix",
        "run": 1,
        "segment": 1,
        "fix": 0,
        "tick_us": 0,
        "after_loss": False,
        "utc": "2024-05-01T12:00:00Z",
        "altitude_m": 10.0,
        "fix_type": "3d",
    }
    write_geojson(exported(fix(0)), path, points=False, replace=True)
    (feature,) = json.loads(path.read_text())["features"]
    assert feature["geometry"]["type"] == "Point"


def test_nothing_to_export_is_a_valid_file(tmp_path: Path) -> None:
    for name, writer in (
        ("a.csv", write_csv),
        ("a.gpx", write_gpx),
        ("a.kml", write_kml),
        ("a.json", write_geojson),
        ("a.parquet", write_fixes_parquet),
    ):
        assert writer(ExportInput([]), tmp_path / name).positions == 0
    assert json.loads((tmp_path / "a.json").read_text())["features"] == []
    assert len(etree.parse(tmp_path / "a.gpx").getroot()) == 0
