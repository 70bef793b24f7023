"""What a track shows: gaps, glitches, stretches of motion and rest, and figures of the whole.

Nothing is taken out of the track; what cannot be right is listed with its evidence, and only the figures leave it out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from offtake.track.analysis import Analysis, Glitch, Spread, Stretch
from offtake.track.clockwork import find_clock_steps
from offtake.track.columns import Columns, columns_of, epochs_of
from offtake.track.figures import circular_mean, climb_and_descent, scatter, spread
from offtake.track.finding import Finding, glitch_of
from offtake.track.fix import Track
from offtake.track.fixes import FixColumns
from offtake.track.frozen import find_frozen, find_time_standing
from offtake.track.gaps import find_gaps
from offtake.track.geodesy import Floats, legs
from offtake.track.innovation import innovation
from offtake.track.jumps import find_jumps, find_mismatches
from offtake.track.limits import Limits
from offtake.track.motion import Part, split_motion
from offtake.track.ragged import Flags, Indices


def analyse(
    track: Track,
    *,
    losses: Sequence[int] = (),
    end_tick_us: int | None = None,
    limits: Limits | None = None,
    own: slice | None = None,
) -> Analysis:
    """Return everything found in one run's ``track``.

    ``losses`` are the ticks, in microseconds since power-up, at which the logger lost bytes; ``end_tick_us`` is the
    run's last tick, for a gap at its end. ``limits`` are the defaults if ``None``. With ``own`` the figures are those
    of these epochs alone, and of the ways that begin in them; what is found is that of all.
    Time grows with the number of fixes; legs of 1 km and more take some 50 us each.
    """
    limits = limits or Limits()
    own = own or slice(0, len(track.fixes))
    epochs = epochs_of(track)
    gap_s = limits.gap_after_s(epochs.interval_s)
    found = Analysis(
        run=track.run,
        interval_s=epochs.interval_s,
        gaps=find_gaps(track, gap_s, limits.start_s, epochs.interval_s, losses, end_tick_us),
        quality_counts=_quality_counts(track.fixes[own]),
        cn0_db_hz=_carrier_to_noise(track),
    )
    if not np.any(epochs.has_position):
        return found
    first = int(np.argmax(epochs.has_position))
    standing = find_time_standing(epochs, first)
    clock_steps, distrusted = find_clock_steps(epochs, first, standing, limits)
    columns = columns_of(track, distrusted)
    findings, over_gap = _findings(columns, standing, gap_s, limits)
    findings += clock_steps
    marks = _Marks.of(columns, findings, over_gap)
    parts = split_motion(columns, over_gap, marks.wild, epochs.interval_s or 1.0, limits)
    found = replace(found, glitches=_sorted(track, findings))
    return _with_figures(track, columns, found, parts, marks, limits, own)


def _findings(columns: Columns, standing: list[Finding], gap_s: float, limits: Limits) -> tuple[list[Finding], Flags]:
    """What the positions show, and which legs cross a gap; ``standing`` is the time that does not move."""
    found = innovation(columns, gap_s, limits)
    frozen = find_frozen(columns, found, limits)
    explained = frozen.legs | _legs_touching(columns, standing)
    jumps = find_jumps(columns, found, explained, limits)
    explained = explained | _legs_touching(columns, jumps)
    mismatches = find_mismatches(columns, found, explained, limits)
    return [*_joined([*frozen.findings, *standing]), *jumps, *mismatches], found.over_gap


def _joined(frozen: list[Finding]) -> list[Finding]:
    """Positions and time that stand at once are one glitch."""
    joined: list[Finding] = []
    for one in sorted(frozen, key=lambda one: (one.first, one.last)):
        if joined and one.first <= joined[-1].last:
            before = joined[-1]
            more = tuple(pair for pair in one.evidence if pair[0] not in dict(before.evidence))
            joined[-1] = replace(
                before,
                last=max(before.last, one.last),
                evidence=before.evidence + more,
                text=before.text if one.text in before.text else f"{before.text} {one.text}",
            )
        else:
            joined.append(one)
    return joined


def _legs_touching(columns: Columns, findings: list[Finding]) -> Flags:
    """Legs within, into and out of the findings."""
    flags = np.zeros(max(len(columns) - 1, 0), dtype=bool)
    for one in findings:
        first, last = _places(columns, one)
        flags[max(0, first - 1) : last + 1] = True
    return flags


def _places(columns: Columns, one: Finding) -> tuple[int, int]:
    """The first and last position of a finding, into the columns."""
    first = int(np.searchsorted(columns.index, one.first))
    return first, int(np.searchsorted(columns.index, one.last, "right")) - 1


def _sorted(track: Track, findings: list[Finding]) -> tuple[Glitch, ...]:
    return tuple(glitch_of(track, one) for one in sorted(findings, key=lambda one: (one.first, one.last, one.kind)))


@dataclass(frozen=True)
class _Marks:
    """Per position: whether it is ``good`` (not in a glitch's positions). Per leg: ``wild`` (into or out of a glitch)
    and ``broken`` (over a gap or a lasting jump: no way is measured there)."""

    good: Flags
    wild: Flags
    broken: Flags

    @staticmethod
    def of(columns: Columns, findings: list[Finding], over_gap: Flags) -> _Marks:
        good = np.ones(len(columns), dtype=bool)
        wild = np.zeros(len(columns) - 1, dtype=bool)
        broken = over_gap.copy()
        for one in findings:
            first, last = _places(columns, one)
            if one.suspect:
                good[first : last + 1] = False
                wild[max(0, first - 1) : last + 1] = True
            if one.lasting:
                # The legs into each of its positions.
                wild[max(0, first - 1) : last] = True
                broken[max(0, first - 1) : last] = True
        return _Marks(good, wild, broken)


def _with_figures(
    track: Track, columns: Columns, found: Analysis, parts: list[Part], marks: _Marks, limits: Limits, own: slice
) -> Analysis:
    moving = np.zeros(len(columns), dtype=bool)
    for first, last, moves in parts:
        moving[first : last + 1] = moves
    ways = _ways(columns, moving, marks)
    stretches = tuple(_stretch(track, columns, part, ways, marks, limits) for part in parts)
    inside = (columns.index >= own.start) & (columns.index < own.stop)
    good = marks.good & inside
    course, resultant = circular_mean(columns.course_deg[good & moving])
    vertical = track.fixes.vertical_accuracy_m[columns.index[inside]]
    vertical = vertical[np.isfinite(vertical) & (vertical != 0)]
    band = max(limits.climb_m, 2 * float(np.median(vertical))) if len(vertical) else limits.climb_m
    climb, descent = climb_and_descent(columns.height_m[good], band)
    used = track.fixes.satellites_used[columns.index[inside]]
    whole = bool(inside.all())
    here = inside[ways.start]
    return replace(
        found,
        stretches=stretches,
        distance_m=float(sum(one.distance_m for one in stretches) if whole else ways.length_m[ways.moves & here].sum()),
        climb_m=climb,
        descent_m=descent,
        moving_s=float(ways.seconds[ways.moves & here].sum()),
        stationary_s=float(ways.seconds[~ways.moves & here].sum()),
        speed_m_s=spread(columns.speed_m_s[good]),
        course_mean_deg=course,
        course_resultant=resultant,
        satellites_used=spread(used[used >= 0].astype(np.float64)),
        hdop=spread(columns.hdop[inside]),
        horizontal_accuracy_m=spread(columns.accuracy_m[inside]),
    )


@dataclass(frozen=True)
class _Ways:
    """The ways between good positions that lie on one side of every gap and lasting jump: where each begins and ends
    (positions), its length and time, and whether the vehicle moves on it."""

    start: Indices
    end: Indices
    length_m: Floats
    seconds: Floats
    moves: Flags


def _ways(columns: Columns, moving: Flags, marks: _Marks) -> _Ways:
    kept = np.flatnonzero(marks.good)
    lengths = legs(columns.latitude_deg[kept], columns.longitude_deg[kept]).length_m
    broken = np.concatenate(([0], np.cumsum(marks.broken)))
    start, end = kept[:-1], kept[1:]
    whole = broken[start] == broken[end]
    start, end = start[whole], end[whole]
    return _Ways(start, end, lengths[whole], columns.time_s[end] - columns.time_s[start], moving[start] | moving[end])


def _stretch(track: Track, columns: Columns, part: Part, ways: _Ways, marks: _Marks, limits: Limits) -> Stretch:
    first, last, moves = part
    fixes, start, end = track.fixes, int(columns.index[first]), int(columns.index[last])
    distance, found = 0.0, None
    if moves:
        # A way between a stay and a moving stretch belongs to the moving one.
        inside = ways.moves & (ways.end >= first) & (ways.start <= last)
        distance = float(ways.length_m[inside].sum())
    else:
        kept = first + np.flatnonzero(marks.good[first : last + 1])
        if len(kept) >= limits.scatter_fixes:
            found = scatter(columns.latitude_deg[kept], columns.longitude_deg[kept], columns.time_s[kept])
    return Stretch(
        run=track.run,
        kind="moving" if moves else "stationary",
        first=start,
        last=end,
        start_tick_us=int(fixes.tick_us[start]),
        end_tick_us=int(fixes.tick_us[end]),
        start_utc=fixes.utc(start),
        end_utc=fixes.utc(end),
        distance_m=distance,
        scatter=found,
    )


def _quality_counts(fixes: FixColumns) -> tuple[tuple[str, int], ...]:
    """How many epochs there are of each quality, the most first."""
    codes, has_position = fixes.fix_quality, fixes.has_position
    quality = Counter({word: int((codes == code).sum()) for code, word in enumerate(fixes.words) if word})
    nameless = np.isin(codes, [code for code, word in enumerate(fixes.words) if word], invert=True)
    quality["unknown"] += int((nameless & has_position).sum())
    quality["none"] += int((nameless & ~has_position).sum())
    return tuple(sorted((one for one in quality.items() if one[1]), key=lambda one: (-one[1], one[0])))


def _carrier_to_noise(track: Track) -> Spread | None:
    return spread(track.skies.cn0_db_hz)
