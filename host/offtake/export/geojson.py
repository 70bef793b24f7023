"""GeoJSON (RFC 7946): a line for each stretch without a gap, points for fixes, gaps, glitches and events."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from offtake.errors import DamageError
from offtake.export.aside import Together, write_aside
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, Column, FixRows, Rows, schema_of, table_of
from offtake.export.inputs import Doubts, ExportInput, Segment, doubts_of
from offtake.export.marks import Mark, marks_of
from offtake.export.meridian import Vertex, cut_at_180
from offtake.export.values import ExportCounts, checked_position, clean_label, ellipsoid_height_m, iso_utc
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S

# The geometry says these.
_PLACE_COLUMNS = ["latitude_deg", "longitude_deg"]
_POINTS_AT_ONCE = 4096


def write_geojson(
    inputs: ExportInput,
    path: Path,
    *,
    gap_s: float = GAP_S,
    points: bool = True,
    replace: bool = False,
    among: Together | None = None,
) -> ExportCounts:
    """Write the positions of ``inputs`` to ``path``; epochs without a position are left out.

    Every feature says its ``kind``: ``track``, ``fix``, or that of a gap, glitch or event. Lines carry the ``times`` of
    their vertices, ``null`` where there is none; where a line passes 180 degrees of longitude it is cut in two, as the
    standard asks, with a vertex on the meridian, so its ``times`` are one list for each part. With ``points``, each fix
    is a point with all its values; absent ones are left out, ``utc`` too. Gaps, glitches and events are points at the
    position they are shown at, without a geometry in a run without one. Heights in coordinates are above the ellipsoid,
    as the standard asks, and stand only where they are known; ``altitude_m`` among the properties is above mean sea
    level. ``gap_s`` and errors as in :func:`offtake.export.gpx.write_gpx`.
    """
    positions = segments = 0
    marks = marks_of(inputs)
    with write_aside(path, replace=replace, among=among) as handle:
        head: dict[str, Any] = {"type": "FeatureCollection"}
        if clean_label(inputs.label):
            head["name"] = clean_label(inputs.label)
        handle.write(_dump(head)[:-1] + b',"features":[\n')
        separator = b""
        for track in inputs.tracks:
            analysis = inputs.analysis(track.run)
            doubts = doubts_of(analysis.glitches if analysis else (), len(track.fixes))
            for number, segment in enumerate(inputs.segments(track, gap_s), start=1):
                for feature in _features(track, segment, number, doubts, points):
                    handle.write(separator + _dump(feature))
                    separator = b",\n"
                positions += len(segment)
                segments += 1
        for mark, properties in zip(marks, _properties(EVENT_COLUMNS, marks), strict=True):
            handle.write(separator + _dump(_mark(mark, properties)))
            separator = b",\n"
        handle.write(b"\n]}\n")
    return ExportCounts(positions, segments, inputs.epochs - positions, len(marks))


def _features(track: Track, segment: Segment, number: int, doubts: Doubts, points: bool) -> Iterator[dict[str, Any]]:
    if len(segment) > 1:
        yield _line([fix for _, fix in segment], number)
    if points or len(segment) == 1:
        for first in range(0, len(segment), _POINTS_AT_ONCE):
            part = segment[first : first + _POINTS_AT_ONCE]
            index = np.array([index for index, _ in part], dtype=np.int64)
            rows = FixRows(track.fixes.taken(index), index, doubts[0][index], doubts[1])
            properties = _properties(FIX_COLUMNS, rows)
            for (_, fix), told in zip(part, properties, strict=True):
                yield _point(fix, {"kind": "fix", "segment": number, **told})


def _line(fixes: list[Fix], number: int) -> dict[str, Any]:
    with_height = all(ellipsoid_height_m(fix) is not None for fix in fixes)
    parts = cut_at_180([_coordinates(fix, with_height) for fix in fixes])
    coordinates = [[vertex for _, vertex in part] for part in parts]
    times = [[_time(fixes, vertex) for vertex in part] for part in parts]
    geometry = (
        {"type": "LineString", "coordinates": coordinates[0]}
        if len(parts) == 1
        else {"type": "MultiLineString", "coordinates": coordinates}
    )
    return {
        "type": "Feature",
        "geometry": geometry,
        "properties": {
            "kind": "track",
            "run": fixes[0].run,
            "segment": number,
            "fixes": len(fixes),
            "times": times[0] if len(times) == 1 else times,
        },
    }


def _time(fixes: list[Fix], vertex: Vertex) -> str | None:
    utc = None if vertex[0] is None else fixes[vertex[0]].utc
    return None if utc is None else iso_utc(utc)


def _mark(mark: Mark, properties: dict[str, Any]) -> dict[str, Any]:
    if mark.evidence:
        properties["evidence"] = json.loads(properties["evidence"])
    if mark.place is None:
        return {"type": "Feature", "geometry": None, "properties": properties}
    return _point(mark.place, properties)


def _point(fix: Fix, properties: dict[str, Any]) -> dict[str, Any]:
    coordinates = _coordinates(fix, ellipsoid_height_m(fix) is not None)
    return {"type": "Feature", "geometry": {"type": "Point", "coordinates": coordinates}, "properties": properties}


def _properties(columns: Sequence[Column[Rows]], rows: Rows) -> Iterator[dict[str, Any]]:
    """What is there of each of ``rows``, times as text."""
    table = table_of(columns, schema_of(columns), rows).drop_columns(_PLACE_COLUMNS)
    for row in table.to_pylist():
        yield {
            name: iso_utc(value) if isinstance(value, dt.datetime) else value
            for name, value in row.items()
            if value is not None
        }


def _coordinates(fix: Fix, with_height: bool) -> tuple[float, ...]:
    latitude, longitude = checked_position(fix)
    height_m = ellipsoid_height_m(fix)
    return (longitude, latitude, height_m) if with_height and height_m is not None else (longitude, latitude)


def _dump(value: dict[str, Any]) -> bytes:
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")
    except ValueError as error:
        raise DamageError("a value is not finite", expected="finite numbers") from error
