"""One recording as a comparison needs it: columns over time, satellites one by one, faults and gaps counted."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from offtake.compare.dilution import horizontal_dilution
from offtake.track.analysis import Analysis, Stretch
from offtake.track.fix import Satellite, Sky, Track
from offtake.track.geodesy import Floats, mean_position, plane

HORIZON_DEG = 10.0
"""Satellites from here up are what the sky offers; lower ones are used by some receivers and not by others."""
SKIES_MOST = 400
"""Of a longer recording so many epochs, evenly spaced, tell what the sky offered."""
BURST_S = 10.0
"""Failures closer together are one event: they have one cause."""
MOVING_SHARE = 0.1
START_LEAST_S = 1.5
"""A receiver with a position so soon was running before."""

SatelliteKey = tuple[str, int, int]
"""System, number, signal (-1 where it is not told)."""


@dataclass(frozen=True)
class SatelliteColumns:
    """One satellite's signal over time; one element an epoch that told its C/N0 and its elevation."""

    time_s: Floats
    cn0_db_hz: Floats
    elevation_deg: Floats
    azimuth_deg: Floats


@dataclass(frozen=True)
class Counted:
    """Faults that happened: ``events`` of them (bursts are one), ``amount`` in all, out of ``total``."""

    events: int
    amount: float
    total: float


@dataclass(frozen=True)
class Stay:
    """The longest stay at rest: metres about its mean, at ``time_s``; ``r95_m`` as the report says it."""

    time_s: Floats
    radius_m: Floats
    r95_m: float


@dataclass(frozen=True)
class Start:
    """Seconds from power-up to a run's first position; ``None`` where it had none, or one at once."""

    run: int
    seconds: float | None


@dataclass(frozen=True)
class Faults:
    """Messages whose check was wrong: times of those remembered, how many in all, and how many were right."""

    time_s: Floats
    failed: int
    right: int


@dataclass(frozen=True)
class Session:
    """One recording. Arrays have one element an epoch; ``available`` and ``geometry`` (horizontal dilution of all
    satellites from :data:`HORIZON_DEG` up) are nan where the sky is not told."""

    source: str
    kind: str
    run: int | None
    seconds: float
    moving: bool
    time_s: Floats
    used: Floats
    hdop: Floats
    accuracy_m: Floats
    available: Floats
    geometry: Floats
    satellites: dict[SatelliteKey, SatelliteColumns]
    checks: Counted
    gaps: Counted
    stay: Stay | None
    starts: tuple[Start, ...] = ()
    notes: tuple[str, ...] = ()


def session_of(
    track: Track,
    analysis: Analysis,
    faults: Faults,
    *,
    source: str,
    kind: str = "journal",
    starts: Sequence[Start] = (),
    notes: Sequence[str] = (),
) -> Session:
    """Take from one run's ``track`` and ``analysis`` what can be compared."""
    fixes = track.fixes
    time_s = np.array([fix.tick_us for fix in fixes], np.float64) / 1e6
    # Before the first position the receiver is starting: that is the time to first fix, not a way to be worse.
    began = next((fix.tick_us / 1e6 for fix in fixes if fix.has_position), math.inf)
    placed = np.array([fix.has_position for fix in fixes], bool)
    available, geometry = _offered(track.skies, time_s)

    def column(values: Iterable[float | None]) -> Floats:
        made = np.array([math.nan if value is None else value for value in values], np.float64)
        return np.where(placed & np.isfinite(made) & (np.abs(made) < 1e9), made, np.nan)

    seconds = float(time_s[-1] - began) if len(time_s) and began <= time_s[-1] else 0.0
    return Session(
        source=source,
        kind=kind,
        run=track.run if kind != "capture" else None,
        seconds=seconds,
        moving=analysis.moving_s > MOVING_SHARE * max(analysis.moving_s + analysis.stationary_s, 1.0),
        time_s=time_s,
        used=column(fix.satellites_used for fix in fixes),
        hdop=_positive(column(fix.hdop for fix in fixes)),
        accuracy_m=_positive(column(fix.horizontal_accuracy_m for fix in fixes)),
        available=available,
        geometry=geometry,
        satellites=_satellites(track.skies, began),
        checks=_checks(faults),
        gaps=_gaps(analysis, began, seconds),
        stay=_stay(track, analysis),
        starts=tuple(starts),
        notes=tuple(notes),
    )


def start_of(track: Track) -> Start:
    """When the run's first position came."""
    first = next((fix.tick_us / 1e6 for fix in track.fixes if fix.has_position), None)
    return Start(track.run, first if first is not None and first > START_LEAST_S else None)


def _positive(values: Floats) -> Floats:
    # Some receivers say 99.99 for no dilution at all.
    return np.where((values > 0.0) & (values < 99.0), values, np.nan)


def _satellites(skies: Sequence[Sky], began: float) -> dict[SatelliteKey, SatelliteColumns]:
    rows: dict[SatelliteKey, list[tuple[float, float, float, float]]] = defaultdict(list)
    for sky in skies:
        time_s = sky.tick_us / 1e6
        if time_s < began:
            continue
        where = {(one.system, one.satellite_id): one for one in sky.satellites if one.elevation_deg is not None}
        for one in sky.satellites:
            # A binary message may give directions with one signal only.
            told = one if one.elevation_deg is not None else where.get((one.system, one.satellite_id), one)
            if one.cn0_db_hz is None or told.elevation_deg is None or not 0.0 < one.cn0_db_hz < 99.0:
                continue
            if not 0.0 <= told.elevation_deg <= 90.0:
                continue
            rows[_key(one)].append(
                (time_s, one.cn0_db_hz, told.elevation_deg, math.nan if told.azimuth_deg is None else told.azimuth_deg)
            )
    return {key: SatelliteColumns(*np.array(rows[key], np.float64).T) for key in sorted(rows)}


def _key(one: Satellite) -> SatelliteKey:
    return one.system or "unknown", one.satellite_id, -1 if one.signal_id is None else one.signal_id


def _offered(skies: Sequence[Sky], time_s: Floats) -> tuple[Floats, Floats]:
    """How many satellites stood high enough, and the dilution all of them together would give, at each epoch."""
    every = max(1, -(-len(skies) // SKIES_MOST))
    times, counts, dilutions = [], [], []
    for sky in skies[::every]:
        high = {
            (one.system, one.satellite_id): (one.elevation_deg, one.azimuth_deg)
            for one in sky.satellites
            if one.elevation_deg is not None and HORIZON_DEG <= one.elevation_deg <= 90.0
            and one.azimuth_deg is not None and one.system != "sbas"
        }  # fmt: skip
        if high:
            times.append(sky.tick_us / 1e6)
            counts.append(float(len(high)))
            dilutions.append(horizontal_dilution([system or "" for system, _ in high], list(high.values())))
    if len(times) < 2:
        nothing = np.full(len(time_s), np.nan)
        return nothing, nothing
    return np.interp(time_s, times, counts), np.interp(time_s, times, dilutions)


def _checks(faults: Faults) -> Counted:
    events = 1 + int(np.count_nonzero(np.diff(np.sort(faults.time_s)) > BURST_S)) if len(faults.time_s) else 0
    if len(faults.time_s) and faults.failed > len(faults.time_s):
        # Not all are remembered; the others came in bursts like these.
        events = round(events * faults.failed / len(faults.time_s))
    return Counted(events if faults.failed else 0, float(faults.failed), float(faults.failed + faults.right))


def _gaps(analysis: Analysis, began: float, seconds: float) -> Counted:
    """Gaps after the first position, but for those that are the logger's own. That nothing more is heard at the end is
    no gap: vehicles are switched off."""
    own = [
        gap
        for gap in analysis.gaps
        if gap.first is not None and (gap.last is not None or gap.reason == "no_position")
    ]
    lost = sum(gap.seconds for gap in own if gap.reason == "bytes_lost")
    found = [gap for gap in own if gap.reason != "bytes_lost"]
    # From one position to the next is no gap where it takes the usual time.
    amount = sum(max(0.0, gap.seconds - (analysis.interval_s or 1.0)) for gap in found)
    return Counted(len(found), amount, max(seconds - lost, 0.0))


def _stay(track: Track, analysis: Analysis) -> Stay | None:
    stays = [one for one in analysis.stretches if one.scatter is not None]
    if not stays:
        return None
    longest: Stretch = max(stays, key=lambda one: one.seconds)
    # Positions that cannot be right are the glitches' business; one of them would be all of the scatter.
    bad = {place for one in analysis.glitches for place in range(one.first, min(one.last + 1, len(track.fixes)))}
    kept = [
        (fix.tick_us / 1e6, fix.latitude_deg, fix.longitude_deg)
        for place, fix in enumerate(track.fixes[longest.first : longest.last + 1], start=longest.first)
        if fix.has_position and place not in bad
    ]
    time_s, latitude, longitude = np.array(kept, np.float64).reshape(-1, 3).T
    if len(time_s) < 2 or longest.scatter is None:
        return None
    east, north = plane(latitude, longitude, mean_position(latitude, longitude))
    radius = np.hypot(east - east.mean(), north - north.mean())
    return Stay(time_s, radius, longest.scatter.r95_m)
