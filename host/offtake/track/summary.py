"""A track in figures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from offtake.track.fix import Fix, Track
from offtake.track.fixes import NO_TIME, FixColumns, utc_of
from offtake.track.geodesy import Floats, legs
from offtake.track.segments import GAP_S, segment_rows


@dataclass(frozen=True)
class BoundingBox:
    """The box along the track, in degrees; ``west_deg`` > ``east_deg`` where it crosses 180 degrees."""

    south_deg: float
    west_deg: float
    north_deg: float
    east_deg: float


@dataclass(frozen=True)
class TrackSummary:
    """Figures of one or more runs.

    ``epochs`` are those the receiver sent, ``fixes`` those with a position. ``distance_m`` is the sum of the
    geodesics on WGS84 from fix to fix; gaps are not bridged. The counts are of sentences.
    """

    runs: int
    epochs: int
    fixes: int
    first_utc: dt.datetime | None
    last_utc: dt.datetime | None
    bounds: BoundingBox | None
    distance_m: float
    checksum_failures: int
    unknown_sentences: int
    invalid_sentences: int


def summarize(tracks: Sequence[Track], gap_s: float = GAP_S, way_m: float | None = None) -> TrackSummary:
    """Return the figures of ``tracks``, one for each run; ``gap_s`` as in ``split_segments``. ``way_m`` is the distance
    where an analysis knows it better than the sum from fix to fix."""
    segments = [(track.fixes, rows) for track in tracks for rows in segment_rows(track.fixes, gap_s)]
    known = [track.fixes.utc_us[track.fixes.utc_us != NO_TIME] for track in tracks]
    times = np.concatenate(known) if known else np.empty(0, dtype=np.int64)
    points = [(fixes.latitude_deg[rows], fixes.longitude_deg[rows]) for fixes, rows in segments]
    return TrackSummary(
        runs=len(tracks),
        epochs=sum(len(track.fixes) for track in tracks),
        fixes=sum(len(rows) for _, rows in segments),
        first_utc=utc_of(int(times.min())) if len(times) else None,
        last_utc=utc_of(int(times.max())) if len(times) else None,
        bounds=_box(*(np.concatenate(ones) for ones in zip(*points, strict=True))) if points else None,
        distance_m=sum(float(legs(*one).length_m.sum()) for one in points) if way_m is None else way_m,
        checksum_failures=sum(track.counts.bad_checksum for track in tracks),
        unknown_sentences=sum(track.counts.unknown for track in tracks),
        invalid_sentences=sum(track.counts.invalid for track in tracks),
    )


def distance_m(fixes: Sequence[Fix]) -> float:
    """Return the length of the way over ``fixes`` with positions, in metres: geodesics on WGS84."""
    return float(legs(*_positions(fixes)).length_m.sum())


def bounding_box(fixes: Iterable[Fix]) -> BoundingBox | None:
    """Return the box around the positions of ``fixes``, or ``None`` without any.

    Longitudes are followed from fix to fix the short way, so a way over 180 degrees has a narrow box.
    """
    latitude, longitude = _positions(fixes)
    return _box(latitude, longitude) if len(latitude) else None


def _positions(fixes: Iterable[Fix]) -> tuple[Floats, Floats]:
    columns = fixes if isinstance(fixes, FixColumns) else FixColumns.from_fixes(tuple(fixes), 0)
    placed = columns.has_position
    return columns.latitude_deg[placed], columns.longitude_deg[placed]


def _box(latitude_deg: Floats, longitude_deg: Floats) -> BoundingBox:
    # Whole turns are added, not differences, so that the box's edges are exact positions of the track.
    turns = np.cumsum(np.round((longitude_deg[:-1] - longitude_deg[1:]) / 360.0))
    follow = longitude_deg + 360.0 * np.concatenate(([0.0], turns))
    south, north = float(latitude_deg.min()), float(latitude_deg.max())
    west, east = float(follow.min()), float(follow.max())
    if east - west >= 360.0:
        return BoundingBox(south, -180.0, north, 180.0)
    return BoundingBox(south, _within_turn(west), north, _within_turn(east))


def _within_turn(longitude: float) -> float:
    return longitude - 360.0 * round(longitude / 360.0) if abs(longitude) > 180.0 else longitude
