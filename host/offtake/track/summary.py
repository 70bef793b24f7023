"""A track in figures."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from offtake.track.fix import Fix, Track
from offtake.track.geodesy import legs
from offtake.track.segments import GAP_S, split_segments


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
    segments = [segment for track in tracks for segment in split_segments(track, gap_s)]
    times = [fix.utc for track in tracks for fix in track.fixes if fix.utc is not None]
    return TrackSummary(
        runs=len(tracks),
        epochs=sum(len(track.fixes) for track in tracks),
        fixes=sum(len(segment) for segment in segments),
        first_utc=min(times, default=None),
        last_utc=max(times, default=None),
        bounds=bounding_box(fix for segment in segments for fix in segment),
        distance_m=sum(distance_m(segment) for segment in segments) if way_m is None else way_m,
        checksum_failures=sum(track.counts.bad_checksum for track in tracks),
        unknown_sentences=sum(track.counts.unknown for track in tracks),
        invalid_sentences=sum(track.counts.invalid for track in tracks),
    )


def distance_m(fixes: Sequence[Fix]) -> float:
    """Return the length of the way over ``fixes`` with positions, in metres: geodesics on WGS84."""
    points = np.array(
        [
            (fix.latitude_deg, fix.longitude_deg)
            for fix in fixes
            if fix.latitude_deg is not None and fix.longitude_deg is not None
        ],
        dtype=np.float64,
    ).reshape(-1, 2)
    return float(legs(points[:, 0], points[:, 1]).length_m.sum())


def bounding_box(fixes: Iterable[Fix]) -> BoundingBox | None:
    """Return the box around the positions of ``fixes``, or ``None`` without any.

    Longitudes are followed from fix to fix the short way, so a way over 180 degrees has a narrow box.
    """
    south = north = west = east = follow = None
    for fix in fixes:
        latitude, longitude = fix.latitude_deg, fix.longitude_deg
        if latitude is None or longitude is None:
            continue
        if south is None or north is None or west is None or east is None or follow is None:
            south = north = latitude
            west = east = follow = longitude
            continue
        # Whole turns are added, not differences, so that the box's edges are exact positions of the track.
        follow = longitude + 360.0 * round((follow - longitude) / 360.0)
        south, north = min(south, latitude), max(north, latitude)
        west, east = min(west, follow), max(east, follow)
    if south is None or north is None or west is None or east is None:
        return None
    if east - west >= 360.0:
        return BoundingBox(south, -180.0, north, 180.0)
    return BoundingBox(south, _within_turn(west), north, _within_turn(east))


def _within_turn(longitude: float) -> float:
    return longitude - 360.0 * round(longitude / 360.0) if abs(longitude) > 180.0 else longitude
