"""C/N0 before and after, satellite by satellite.

The same satellite in both recordings is held against itself, where possible at like elevations. Satellites that only
one recording has, and elevations that differ, are compared by the elevation curve that both recordings share. All of
it is one weighted regression: level of each system and signal, elevation curve, satellite (a random effect), and the
step from before to after. How well the step is known comes from leaving out one satellite after the other, so slow
multipath, which is each satellite's own, is in it however slow it is.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from offtake.compare.model import SatellitePair
from offtake.compare.series import spread_of_mean
from offtake.compare.session import SatelliteColumns, SatelliteKey, Session
from offtake.track.geodesy import Floats
from offtake.track.ragged import Flags, Indices

ALIKE_DEG = 5.0
"""Elevations so far beyond the other recording's still count as seen there."""
SAMPLES_LEAST = 10
SECONDS_LEAST = 20.0
MULTIPATH_S = 100.0
"""A satellite heard for so long is half as good as one heard for ever: multipath changes about so slowly."""
SATELLITES_LEAST = 4
SAME_SKY_DEG = 12.0
SAME_SKY_SHARE = 0.7
RESAMPLES = 1000
SIGNALS_MOST = 512
"""Some ten times what a receiver hears; the regression's time grows with their cube."""
_PRIOR_DB = 1.0


@dataclass(frozen=True)
class Carrier:
    """The step in dB (after minus before), its standard error and degrees of freedom; plain means over the satellites
    in both (or all, without such); how many satellites were ``alike`` (in both at like elevations), ``elsewhere`` (in
    both at others) and ``single``."""

    step_db: float
    se_db: float
    df: float
    before_db_hz: float
    after_db_hz: float
    alike: int
    elsewhere: int
    single: int
    pairs: tuple[SatellitePair, ...]

    @property
    def enough(self) -> bool:
        """Whether there are satellites enough to say how well the step is known."""
        return np.isfinite(self.se_db) and self.df >= SATELLITES_LEAST - 1


@dataclass(frozen=True)
class _Row:
    key: SatelliteKey
    after: bool
    columns: SatelliteColumns
    alike: bool

    @property
    def seconds(self) -> float:
        time_s = self.columns.time_s
        return float(np.median(np.diff(time_s))) * len(time_s)


def compare_carrier(before: Session, after: Session, random: np.random.Generator) -> Carrier | None:
    """Return the step, ``None`` without satellites in one of the recordings."""
    rows = _rows(before, after)
    if not all(any(row.after == side for row in rows) for side in (False, True)):
        return None
    fit = _Fit(rows)
    step = fit.step(np.ones(len(rows), bool))
    names = sorted({row.key[:2] for row in rows})
    without = [fit.step(np.array([row.key[:2] != name for row in rows])) for name in names]
    pairs, singles = _numbers(rows)
    df = len(pairs) + min(singles) - 1.0
    spread = _spread(np.array(without), step, random) if df >= 1 else np.nan
    common = sum(_common_variance(rows, fit, side) for side in (False, True))
    shown = [row for row in rows if row.key[:2] in pairs] or rows
    alike = {row.key[:2] for row in rows if row.alike}
    return Carrier(
        step_db=step,
        se_db=float(np.sqrt(spread**2 + common)),
        df=df,
        before_db_hz=float(np.mean([row.columns.cn0_db_hz.mean() for row in shown if not row.after])),
        after_db_hz=float(np.mean([row.columns.cn0_db_hz.mean() for row in shown if row.after])),
        alike=len(alike),
        elsewhere=len(pairs) - len(alike),
        single=len(names) - len(pairs),
        pairs=_drawn(rows),
    )


def same_sky(before: Session, after: Session) -> bool | None:
    """Whether both recordings had about the same satellites at the same places; ``None`` where places are not told."""
    if not before.satellites or not after.satellites:
        return None
    first, second = (_places(one) for one in (before, after))
    both = first.keys() & second.keys()
    near = sum(_apart_deg(first[name], second[name]) <= SAME_SKY_DEG for name in both)
    return near >= SAME_SKY_SHARE * len(first.keys() | second.keys())


def _places(session: Session) -> dict[tuple[str, int], Floats]:
    """Each satellite's mean direction as a unit vector."""
    found: dict[tuple[str, int], Floats] = {}
    for key, one in session.satellites.items():
        elevation, azimuth = np.radians(one.elevation_deg), np.radians(np.nan_to_num(one.azimuth_deg))
        level = np.cos(elevation)
        mean = np.array([(level * np.sin(azimuth)).mean(), (level * np.cos(azimuth)).mean(), np.sin(elevation).mean()])
        found[key[:2]] = mean / max(float(np.linalg.norm(mean)), 1e-9)
    return found


def _apart_deg(one: Floats, other: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip(one @ other, -1.0, 1.0))))


def _rows(before: Session, after: Session) -> list[_Row]:
    """A row for each satellite's signal in each recording, ordered by satellite."""
    rows = []
    for key in _longest_heard(before, after):
        one, other = (_long_enough(session.satellites.get(key)) for session in (before, after))
        alike = False
        if one is not None and other is not None:
            parts = _alike_part(one, other), _alike_part(other, one)
            if parts[0] is not None and parts[1] is not None:
                (one, other), alike = (parts[0], parts[1]), True
        rows += [_Row(key, bool(side), part, alike) for side, part in enumerate((one, other)) if part is not None]
    return rows


def _longest_heard(before: Session, after: Session) -> list[SatelliteKey]:
    """The satellites' signals in order; of too many those with the most samples."""
    samples: Counter[SatelliteKey] = Counter()
    for session in (before, after):
        samples.update({key: len(one.time_s) for key, one in session.satellites.items()})
    return sorted(sorted(samples, key=lambda key: (-samples[key], key))[:SIGNALS_MOST])


def _long_enough(one: SatelliteColumns | None) -> SatelliteColumns | None:
    if one is None or len(one.time_s) < SAMPLES_LEAST or one.time_s[-1] - one.time_s[0] < SECONDS_LEAST:
        return None
    return one


def _alike_part(one: SatelliteColumns, other: SatelliteColumns) -> SatelliteColumns | None:
    """The part of ``one`` at elevations that ``other`` has too."""
    low, high = other.elevation_deg.min() - ALIKE_DEG, other.elevation_deg.max() + ALIKE_DEG
    inside = (one.elevation_deg >= low) & (one.elevation_deg <= high)
    return _long_enough(
        SatelliteColumns(one.time_s[inside], one.cn0_db_hz[inside], one.elevation_deg[inside], one.azimuth_deg[inside])
    )


def _curve(elevation_deg: Floats) -> Floats:
    """The elevation curve's parts: C/N0 rises steeply near the horizon and is flat above."""
    rise = np.sin(np.radians(np.clip(elevation_deg, 0.0, 90.0)))
    return np.array([rise, rise**2])


class _Fit:
    """The regression: whitened once, so that any satellites can be left out."""

    def __init__(self, rows: list[_Row]) -> None:
        groups = sorted({(row.key[0], row.key[2]) for row in rows})
        self._levels = len(groups)
        level = [[float((row.key[0], row.key[2]) == group) for group in groups] for row in rows]
        curve = [_curve(row.columns.elevation_deg).mean(axis=1) for row in rows]
        after = [[float(row.after)] for row in rows]
        design = np.column_stack((np.array(level), np.array(curve), np.array(after)))
        values = np.array([row.columns.cn0_db_hz.mean() for row in rows])
        weight = np.array([row.seconds / (row.seconds + MULTIPATH_S) for row in rows])
        own, noise = _variances(rows, design, values)
        same = np.array([[float(one.key == other.key) for other in rows] for one in rows])
        root = np.linalg.cholesky(own * same + np.diag(noise / np.maximum(weight, 0.05)))
        self._design = np.linalg.solve(root, design)
        self._values = np.linalg.solve(root, values)
        self.curve: Floats = self._solve(np.ones(len(rows), bool))[self._levels : self._levels + 2]

    def _solve(self, kept: Flags) -> Floats:
        solved: Floats = np.linalg.lstsq(self._design[kept], self._values[kept], rcond=1e-9)[0]
        return solved

    def step(self, kept: Flags) -> float:
        """From before to after, of the ``kept`` rows."""
        return float(self._solve(kept)[-1])


def _variances(rows: list[_Row], design: Floats, values: Floats) -> tuple[float, float]:
    """Variances of the satellites' own levels and of what changes from one recording to the next. They only set
    weights."""
    rest = values - design @ np.linalg.lstsq(design, values, rcond=1e-9)[0]
    place = {(row.key, row.after): number for number, row in enumerate(rows)}
    changes = [
        rest[place[key, True]] - rest[number]
        for (key, after), number in place.items()
        if not after and (key, True) in place
    ]
    if len(changes) < SATELLITES_LEAST:
        return _PRIOR_DB**2, _PRIOR_DB**2
    noise = max(float(np.var(changes, ddof=1)) / 2.0, 0.05)
    return max(float(np.var(rest)) - noise, 0.05), noise


def _spread(without: Floats, step: float, random: np.random.Generator) -> float:
    """The step's standard error over satellites: the jackknife's pseudo-values, resampled."""
    count = len(without)
    pseudo = count * step - (count - 1) * without
    drawn = pseudo[random.integers(0, count, (RESAMPLES, count))].mean(axis=1)
    return float(drawn.std(ddof=1) * np.sqrt(count / (count - 1)))


def _common_variance(rows: list[_Row], fit: _Fit, after: bool) -> float:
    """How uncertain one recording's level is from what all satellites do at once (temperature, a turning antenna):
    the variance of their mean over time, less what independent satellites would give."""
    side = [row for row in rows if row.after == after]
    rests = []
    for row in side:
        flat = row.columns.cn0_db_hz - fit.curve @ _curve(row.columns.elevation_deg)
        rests.append(flat - flat.mean())
    if len(side) < 2:
        return 0.0
    time_s = np.concatenate([row.columns.time_s for row in side])
    steps, places = _grouped(time_s)
    together = np.bincount(places, weights=np.concatenate(rests)) / len(side)
    own = sum(
        spread_of_mean(row.columns.time_s, rest) ** 2 for row, rest in zip(side, rests, strict=True)
    ) / len(side) ** 2  # fmt: skip
    return max(0.0, spread_of_mean(steps, together) ** 2 - own)


def _grouped(time_s: Floats) -> tuple[Floats, Indices]:
    steps, places = np.unique(time_s, return_inverse=True)
    return steps, places.astype(np.int64)


def _numbers(rows: list[_Row]) -> tuple[set[tuple[str, int]], tuple[int, int]]:
    """Satellites in both recordings, and how many are only in the one and only in the other."""
    first = {row.key[:2] for row in rows if not row.after}
    second = {row.key[:2] for row in rows if row.after}
    return first & second, (len(first - second), len(second - first))


def _drawn(rows: list[_Row]) -> tuple[SatellitePair, ...]:
    sides = [{row.key: row.columns for row in rows if row.after == after} for after in (False, True)]
    pairs = []
    for key in sorted(sides[0].keys() | sides[1].keys()):
        one, other = sides[0].get(key), sides[1].get(key)
        signal = f" signal {key[2]}" if key[2] >= 0 else ""
        pairs.append(
            SatellitePair(
                f"{key[0]} {key[1]}{signal}",
                None if one is None else float(one.elevation_deg.mean()),
                None if other is None else float(other.elevation_deg.mean()),
                None if one is None else float(one.cn0_db_hz.mean()),
                None if other is None else float(other.cn0_db_hz.mean()),
            )
        )
    return tuple(pairs)
