"""The figures of runs that are read part by part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from offtake.track.fix import Track
from offtake.track.summary import BoundingBox, TrackSummary, summarize


class SummaryOfParts:
    """Sums the figures of tracks up, one after the other, in memory that does not grow with them."""

    def __init__(self) -> None:
        self._sum = summarize(())

    def add(self, track: Track, way_m: float) -> None:
        """Take in a track, or a part of one, whose way was ``way_m`` metres."""
        sum_, new = self._sum, summarize((track,), way_m=way_m)
        self._sum = replace(
            sum_,
            epochs=sum_.epochs + new.epochs,
            fixes=sum_.fixes + new.fixes,
            first_utc=min((one for one in (sum_.first_utc, new.first_utc) if one), default=None),
            last_utc=max((one for one in (sum_.last_utc, new.last_utc) if one), default=None),
            bounds=_around([one for one in (sum_.bounds, new.bounds) if one]),
            distance_m=sum_.distance_m + new.distance_m,
            checksum_failures=sum_.checksum_failures + new.checksum_failures,
            unknown_sentences=sum_.unknown_sentences + new.unknown_sentences,
            invalid_sentences=sum_.invalid_sentences + new.invalid_sentences,
        )

    def summary(self, runs: int) -> TrackSummary:
        """The figures of all, which were ``runs`` runs."""
        return replace(self._sum, runs=runs)


def _around(boxes: Sequence[BoundingBox]) -> BoundingBox | None:
    """The box around one or two, the short way from the first to the second."""
    if len(boxes) < 2:
        return boxes[0] if boxes else None
    one, other = boxes
    (west, east), (other_west, other_east) = _unrolled(one), _unrolled(other)
    turns = 360.0 * round((west + east - other_west - other_east) / 720.0)
    west, east = min(west, other_west + turns), max(east, other_east + turns)
    south, north = min(one.south_deg, other.south_deg), max(one.north_deg, other.north_deg)
    if east - west >= 360.0:
        return BoundingBox(south, -180.0, north, 180.0)
    return BoundingBox(south, _within_turn(west), north, _within_turn(east))


def _unrolled(box: BoundingBox) -> tuple[float, float]:
    return box.west_deg, box.east_deg + (360.0 if box.west_deg > box.east_deg else 0.0)


def _within_turn(longitude_deg: float) -> float:
    return longitude_deg - 360.0 * round(longitude_deg / 360.0) if abs(longitude_deg) > 180.0 else longitude_deg
