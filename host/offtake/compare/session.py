"""One recording as a comparison needs it: columns over time, satellites one by one, faults and gaps counted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from offtake.compare.dilution import horizontal_dilution
from offtake.track.analysis import Analysis, Stretch
from offtake.track.fix import Track
from offtake.track.fixes import FixColumns
from offtake.track.geodesy import Floats, mean_position, plane
from offtake.track.ragged import Indices
from offtake.track.skies import SkyColumns
from offtake.track.values import SYSTEMS

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
    time_s = fixes.tick_us / 1e6
    # Before the first position the receiver is starting: that is the time to first fix, not a way to be worse.
    placed = fixes.has_position
    began = _began(fixes)
    available, geometry = _offered(track.skies, time_s)

    def column(values: Floats) -> Floats:
        return np.where(placed & np.isfinite(values) & (np.abs(values) < 1e9), values, np.nan)

    seconds = float(time_s[-1] - began) if len(time_s) and began <= time_s[-1] else 0.0
    return Session(
        source=source,
        kind=kind,
        run=track.run if kind != "capture" else None,
        seconds=seconds,
        moving=analysis.moving_s > MOVING_SHARE * max(analysis.moving_s + analysis.stationary_s, 1.0),
        time_s=time_s,
        used=column(np.where(fixes.satellites_used < 0, np.nan, fixes.satellites_used)),
        hdop=_positive(column(fixes.hdop)),
        accuracy_m=_positive(column(fixes.horizontal_accuracy_m)),
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
    first = _began(track.fixes)
    return Start(track.run, first if START_LEAST_S < first < math.inf else None)


def _began(fixes: FixColumns) -> float:
    """Seconds at the first position; infinity where there is none."""
    ticks = fixes.tick_us[fixes.has_position]
    return float(ticks[0]) / 1e6 if len(ticks) else math.inf


def _positive(values: Floats) -> Floats:
    # Some receivers say 99.99 for no dilution at all.
    return np.where((values > 0.0) & (values < 99.0), values, np.nan)


def _satellites(skies: SkyColumns, began: float) -> dict[SatelliteKey, SatelliteColumns]:
    of_sky = skies.sky_of
    elevation, azimuth = _directions(skies, of_sky)
    time_s = skies.tick_us[of_sky] / 1e6
    told = (time_s >= began) & (skies.cn0_db_hz > 0.0) & (skies.cn0_db_hz < 99.0)
    rows = np.flatnonzero(told & (elevation >= 0.0) & (elevation <= 90.0))
    rows = rows[np.lexsort((rows, skies.signal_id[rows], skies.satellite_id[rows], skies.system[rows]))]
    names = np.stack((skies.system[rows], skies.satellite_id[rows], skies.signal_id[rows]))
    cuts = np.flatnonzero((np.diff(names) != 0).any(axis=0)) + 1
    found = {}
    for part in np.split(rows, cuts) if len(rows) else []:
        system, number, signal = (int(one[part[0]]) for one in (skies.system, skies.satellite_id, skies.signal_id))
        key = ("unknown" if system < 0 else SYSTEMS[system], number, signal)
        found[key] = SatelliteColumns(time_s[part], skies.cn0_db_hz[part], elevation[part], azimuth[part])
    return {key: found[key] for key in sorted(found)}


def _directions(skies: SkyColumns, of_sky: Indices) -> tuple[Floats, Floats]:
    """Elevation and azimuth of each satellite's signal: a binary message may give them with one signal only, the last
    of which then stands for the others."""
    known = ~np.isnan(skies.elevation_deg)
    # Satellites of one sky, system and number have one name; a number has 32 bits.
    name = ((of_sky * (len(SYSTEMS) + 1) + skies.system + 1) << 32) + skies.satellite_id
    givers = np.flatnonzero(known)
    givers = givers[np.argsort(name[givers], kind="stable")]
    takers = np.flatnonzero(~known)
    places = np.searchsorted(name[givers], name[takers], side="right") - 1
    same = places >= 0
    same[same] = name[givers[places[same]]] == name[takers[same]]
    elevation, azimuth = skies.elevation_deg.copy(), skies.azimuth_deg.copy()
    elevation[takers[same]] = skies.elevation_deg[givers[places[same]]]
    azimuth[takers[same]] = skies.azimuth_deg[givers[places[same]]]
    return elevation, azimuth


def _offered(skies: SkyColumns, time_s: Floats) -> tuple[Floats, Floats]:
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
        gap for gap in analysis.gaps if gap.first is not None and (gap.last is not None or gap.reason == "no_position")
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
    kept = track.fixes.has_position.copy()
    for one in analysis.glitches:
        kept[one.first : one.last + 1] = False
    rows = longest.first + np.flatnonzero(kept[longest.first : longest.last + 1])
    time_s = track.fixes.tick_us[rows] / 1e6
    latitude, longitude = track.fixes.latitude_deg[rows], track.fixes.longitude_deg[rows]
    if len(time_s) < 2 or longest.scatter is None:
        return None
    east, north = plane(latitude, longitude, mean_position(latitude, longitude))
    radius = np.hypot(east - east.mean(), north - north.mean())
    return Stay(time_s, radius, longest.scatter.r95_m)
