"""GeoJSON (RFC 7946): a line for each stretch without a gap, and a point for each fix."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from offtake.errors import DamageError
from offtake.export.aside import write_aside
from offtake.export.values import ExportCounts, checked_position, clean_label, iso_utc
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S, split_segments


def write_geojson(
    tracks: Sequence[Track],
    path: Path,
    *,
    label: str = "",
    gap_s: float = GAP_S,
    points: bool = True,
    replace: bool = False,
) -> ExportCounts:
    """Write the positions of ``tracks`` to ``path``; epochs without a position are left out.

    Lines carry the ``times`` of their vertices; where a line passes 180 degrees of longitude it is cut,
    as the standard asks. With ``points``, each fix is a point with its own properties. Heights in coordinates
    are above the ellipsoid, as the standard asks, and stand only where the geoid separation is known;
    ``altitude_m`` among the properties is above mean sea level. ``label`` and ``gap_s`` as in
    :func:`offtake.export.gpx.write_gpx`; raises as that does.
    """
    positions = segments = 0
    with write_aside(path, replace=replace) as handle:
        head: dict[str, Any] = {"type": "FeatureCollection"}
        if clean_label(label):
            head["name"] = clean_label(label)
        handle.write(_dump(head)[:-1] + b',"features":[\n')
        separator = b""
        for track in tracks:
            for number, segment in enumerate(split_segments(track, gap_s), start=1):
                for feature in _features(track, number, segment, points):
                    handle.write(separator + _dump(feature))
                    separator = b",\n"
                positions += len(segment)
                segments += 1
        handle.write(b"\n]}\n")
    epochs = sum(len(track.fixes) for track in tracks)
    return ExportCounts(positions, segments, epochs - positions)


def _features(track: Track, number: int, segment: list[Fix], points: bool) -> Iterator[dict[str, Any]]:
    for part in _cut_at_180(segment):
        if len(part) > 1:
            yield _line(track, number, part)
        elif not points:
            yield _point(part[0], number)
    if points:
        for fix in segment:
            yield _point(fix, number)


def _cut_at_180(segment: list[Fix]) -> Iterator[list[Fix]]:
    """Part ``segment`` where the short way from one fix to the next passes 180 degrees of longitude."""
    part: list[Fix] = []
    for fix in segment:
        if part and abs(checked_position(fix)[1] - checked_position(part[-1])[1]) > 180.0:
            yield part
            part = []
        part.append(fix)
    yield part


def _line(track: Track, number: int, part: list[Fix]) -> dict[str, Any]:
    with_height = all(_height_m(fix) is not None for fix in part)
    return {
        "type": "Feature",
        "geometry": {
            "type": "LineString",
            "coordinates": [_coordinates(fix, with_height) for fix in part],
        },
        "properties": {
            "kind": "track",
            "run": track.run,
            "segment": number,
            "fixes": len(part),
            "times": [None if fix.utc is None else iso_utc(fix.utc) for fix in part],
        },
    }


def _point(fix: Fix, number: int) -> dict[str, Any]:
    properties = {
        "utc": None if fix.utc is None else iso_utc(fix.utc),
        "altitude_m": fix.altitude_m,
        "geoid_separation_m": fix.geoid_separation_m,
        "speed_m_s": fix.speed_m_s,
        "course_deg": fix.course_deg,
        "fix_quality": fix.fix_quality,
        "fix_type": fix.fix_type,
        "satellites_used": fix.satellites_used,
        "hdop": fix.hdop,
        "vdop": fix.vdop,
        "pdop": fix.pdop,
    }
    return {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": _coordinates(fix, _height_m(fix) is not None)},
        "properties": {
            "kind": "fix",
            "run": fix.run,
            "segment": number,
            "tick_us": fix.tick_us,
            **{name: value for name, value in properties.items() if value is not None},
        },
    }


def _height_m(fix: Fix) -> float | None:
    """Return the height above the WGS84 ellipsoid in metres, where both of its parts are known."""
    if fix.altitude_m is None or fix.geoid_separation_m is None:
        return None
    return fix.altitude_m + fix.geoid_separation_m


def _coordinates(fix: Fix, with_height: bool) -> list[float]:
    latitude, longitude = checked_position(fix)
    height_m = _height_m(fix)
    return [longitude, latitude, height_m] if with_height and height_m is not None else [longitude, latitude]


def _dump(value: dict[str, Any]) -> bytes:
    try:
        return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")
    except ValueError as error:
        raise DamageError("a value is not finite", expected="finite numbers") from error
