"""Pairs of invented recordings of one receiver: as two days differ anyway, and with harm planted in the second.

What differs without any harm: each satellite's own slow multipath; where the satellites stand (at the same sidereal
time another day, when only GPS satellites are where they were, or at any other hour); each satellite's power, and how
it ages; a level of the session (temperature, where the antenna lay exactly) and a slow common drift; values in whole
dB; rare bad checks and gaps.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from harm_sky import LATITUDE_DEG, LONGITUDE_DEG, SIDEREAL_DAY_S, Floats, directions
from offtake.compare.dilution import horizontal_dilution
from offtake.compare.session import Faults, Session, Start, session_of
from offtake.track.analyse import analyse
from offtake.track.fix import Fix, Satellite, Sky, Track

START_UTC = dt.datetime(2031, 3, 14, 1, 40, tzinfo=dt.UTC)
METRES_A_DEGREE = 111_200.0
MESSAGES_A_SECOND = 9
SESSION_DB = 0.2
"""One session's level, one standard deviation."""


@dataclass(frozen=True)
class Plant:
    """Harm done to the second recording; factors of 1 and shares of 0 are none."""

    loss_db: float = 0.0
    checks: float = 0.0
    gaps_per_minute: float = 0.0
    scatter: float = 1.0
    start: float = 1.0


@dataclass(frozen=True)
class Pair:
    """What to invent. ``hours`` lie between the two, beside whole sidereal days; ``minutes`` is each one's length."""

    seed: int
    systems: tuple[str, ...] = ("gps", "galileo", "glonass")
    hours: float = 0.0
    days: int = 1
    minutes: float = 10.0
    plant: Plant = field(default_factory=Plant)
    starts: int = 1
    walk: tuple[bool, bool] = (False, False)

    @property
    def name(self) -> str:
        """Which kind of pair it is."""
        return f"{len(self.systems)} systems, {'same' if self.hours == 0 else 'other'} hour"


def make_pair(pair: Pair) -> tuple[Session, Session]:
    """Both recordings through the real analysis."""
    before, after = (_Side.of(pair, side) for side in (0, 1))
    return before.session(), after.session()


def make_tracks(pair: Pair) -> tuple[Track, Track]:
    """Both recordings as their tracks."""
    before, after = (_Side.of(pair, side) for side in (0, 1))
    return before.track(), after.track()


def many(
    seed: int, count: int, *, minutes: float = 10.0, plant: Plant | None = None, starts: int = 1
) -> list[Pair]:
    """``count`` pairs of all kinds in turn: nine of ten with three or two systems, at the same or another hour, the
    rest with one."""
    kinds = (
        (3, False), (3, True), (3, True), (2, False), (3, False),
        (2, True), (3, True), (3, False), (3, True), (1, False),
    )  # fmt: skip
    names = ("gps", "galileo", "glonass")
    made = []
    for number in range(count):
        random = np.random.default_rng((seed, number))
        systems, other = kinds[number % len(kinds)]
        made.append(
            Pair(
                seed=seed * 100_000 + number,
                systems=names[:systems],
                hours=float(random.uniform(0.5, 11.5)) if other else 0.0,
                days=int(random.integers(1, 30)),
                minutes=minutes,
                plant=plant or Plant(),
                starts=starts,
            )
        )
    return made


def slow(random: np.random.Generator, shape: tuple[int, int], tau_s: Floats, step_s: float = 1.0) -> Floats:
    """AR(1) rows of variance one; ``tau_s`` has one element a row."""
    keep = np.exp(-step_s / tau_s)
    fresh = random.normal(size=shape) * np.sqrt(1.0 - keep**2)[:, None]
    rows = np.empty(shape)
    rows[:, 0] = random.normal(size=shape[0])
    for place in range(1, shape[1]):
        rows[:, place] = keep * rows[:, place - 1] + fresh[:, place]
    return rows


@dataclass
class _Side:
    """One of the two recordings."""

    pair: Pair
    side: int
    random: np.random.Generator
    time_s: Floats
    start_s: float

    @staticmethod
    def of(pair: Pair, side: int) -> _Side:
        count = round(pair.minutes * 60)
        at = float(np.random.default_rng((pair.seed, 9)).uniform(0, SIDEREAL_DAY_S))
        start = at + side * (pair.days * SIDEREAL_DAY_S + pair.hours * 3600)
        return _Side(pair, side, np.random.default_rng((pair.seed, side)), np.arange(count, dtype=np.float64), start)

    @property
    def plant(self) -> Plant:
        """What is planted here."""
        return self.pair.plant if self.side else Plant()

    def session(self) -> Session:
        """Through track and analysis."""
        track = self.track()
        starts = [Start(1 + number, float(one)) for number, one in enumerate(self._starts())]
        return session_of(
            track, analyse(track, end_tick_us=track.fixes[-1].tick_us), self._faults(len(track.fixes)),
            source=("before.jnl", "after.jnl")[self.side], starts=starts,
        )  # fmt: skip

    def _starts(self) -> Floats:
        return 28.0 * self.plant.start * np.exp(self.random.normal(0, 0.15, self.pair.starts))

    def _levels(self) -> list[tuple[str, int, Floats, Floats, Floats]]:
        """(system, number, elevation, azimuth, C/N0) of each satellite that is up, over time."""
        # What belongs to receiver, place and satellites is the same in both recordings.
        lasting = np.random.default_rng((self.pair.seed, 7))
        wave, turn = lasting.normal(0, 0.5, 3), lasting.uniform(0, 2 * math.pi, 3)
        count = len(self.time_s)
        level = self.random.normal(0, SESSION_DB) - self.plant.loss_db
        common = level + 0.15 * slow(self.random, (1, count), np.array([300.0]))[0]
        found = []
        for order, system in enumerate(self.pair.systems):
            sky = directions(system, self.start_s + self.time_s)
            satellites = len(sky.elevation_deg)
            power = lasting.normal((0.0, -0.8, -1.5)[order], 1.0, satellites)
            ageing = lasting.normal(0, 0.2, satellites) * self.side * self.pair.days / 30
            healthy = self.random.random(satellites) > 0.02
            tau_s = np.exp(self.random.uniform(math.log(20), math.log(200), satellites))
            strength = self.random.uniform(1.0, 2.0, satellites)
            multipath = slow(self.random, (satellites, count), tau_s) * strength[:, None]
            noise = self.random.normal(0, 0.4, (satellites, count))
            for one in range(satellites):
                elevation, azimuth = sky.elevation_deg[one], sky.azimuth_deg[one]
                if not healthy[one] or elevation.max() < 5.0:
                    continue
                rise = np.sin(np.radians(np.clip(elevation, 0, 90)))
                place = sum(
                    wave[k] * np.cos((k + 1) * np.radians(azimuth) + turn[k]) * np.cos(np.radians(elevation))
                    for k in range(3)
                )
                curve = 34.0 + 13.0 * rise**0.7 + place
                cn0 = curve + power[one] + ageing[one] + common + multipath[one] * (1.3 - 0.6 * rise) + noise[one]
                found.append((system, one + 1, elevation, azimuth, np.where(elevation >= 5.0, cn0, -1.0)))
        return found

    def track(self) -> Track:
        """What the receiver would say."""
        levels = self._levels()
        count = len(self.time_s)
        used = [(cn0 > 29.0) & (elevation > 8.0) for _, _, elevation, _, cn0 in levels]
        dilution = self._dilution(levels, used)
        tau_s = np.full(2, self.random.uniform(60, 300))
        off = slow(self.random, (2, count), tau_s) * 0.9 * dilution * math.exp(self.random.normal(0, 0.1))
        off = (off + self.random.normal(0, 0.1, (2, count))) * self.plant.scatter
        accuracy = 1.2 * dilution * np.exp(0.1 * slow(self.random, (1, count), np.array([100.0]))[0])
        accuracy *= math.exp(self.random.normal(0, 0.04))
        if self.pair.walk[self.side]:
            off[0] += 1.4 * self.time_s
        gone = self._gaps(count)
        told = _told(levels, used)
        count_used = np.sum(used, axis=0).astype(int).tolist()
        fixes, skies = [], []
        for place in range(count):
            tick = 30_000_000 + place * 1_000_000
            utc = START_UTC + dt.timedelta(seconds=self.start_s + place)
            fix = Fix(1, tick, utc, satellites_used=count_used[place])
            if gone[place]:
                fixes.append(replace(fix, satellites_used=0))
                continue
            fixes.append(
                replace(
                    fix,
                    latitude_deg=round(float(LATITUDE_DEG + off[1, place] / METRES_A_DEGREE), 7),
                    longitude_deg=round(
                        float(LONGITUDE_DEG + off[0, place] / METRES_A_DEGREE / math.cos(math.radians(LATITUDE_DEG))), 7
                    ),
                    speed_m_s=1.4 if self.pair.walk[self.side] else 0.02,
                    hdop=round(float(dilution[place]), 2),
                    horizontal_accuracy_m=round(float(accuracy[place]), 2),
                    fix_type="3d",
                )
            )
            skies.append(Sky(1, tick, utc, _seen(told, place)))
        return Track(1, tuple(fixes), skies=tuple(skies))

    def _dilution(self, levels: Sequence[tuple[str, int, Floats, Floats, Floats]], used: Sequence[Floats]) -> Floats:
        places = np.arange(0, len(self.time_s), 20)
        told = []
        for place in places.tolist():
            chosen = [one for one, flags in zip(levels, used, strict=True) if flags[place]]
            where = [(one[2][place], one[3][place]) for one in chosen]
            told.append(horizontal_dilution([one[0] for one in chosen], where))
        return np.interp(self.time_s, places, np.nan_to_num(np.array(told), nan=5.0))

    def _gaps(self, count: int) -> Floats:
        gone = np.zeros(count, bool)
        expected = self.pair.minutes * (0.03 + self.plant.gaps_per_minute)
        for _ in range(self.random.poisson(expected)):
            at = int(self.random.integers(5, max(6, count - 10)))
            gone[at : at + int(self.random.integers(2, 5))] = True
        return gone

    def _faults(self, epochs: int) -> Faults:
        total = epochs * MESSAGES_A_SECOND
        times = [
            float(at) + 0.1 * number
            for at in self.random.uniform(0, epochs, self.random.poisson(self.pair.minutes * 0.03))
            for number in range(int(self.random.integers(1, 4)))
        ]
        if self.plant.checks:
            times += self.random.uniform(0, epochs, self.random.poisson(self.plant.checks * total)).tolist()
        return Faults(np.array(times[:1000]), len(times), total - len(times))


Told = tuple[str, int, list[float], list[float], list[float | None], list[bool]]
"""System, number, and over time what the receiver tells: elevation, azimuth, C/N0, whether used."""


def _told(levels: Sequence[tuple[str, int, Floats, Floats, Floats]], used: Sequence[Floats]) -> list[Told]:
    return [
        (
            system, number, np.rint(elevation).tolist(), (np.rint(azimuth) % 360).tolist(),
            [one if one > 20.0 else None for one in np.rint(cn0).tolist()], flags.tolist(),
        )
        for (system, number, elevation, azimuth, cn0), flags in zip(levels, used, strict=True)
    ]  # fmt: skip


def _seen(told: Sequence[Told], place: int) -> tuple[Satellite, ...]:
    return tuple(
        Satellite(system, number, elevation[place], azimuth[place], cn0[place], flags[place])
        for system, number, elevation, azimuth, cn0, flags in told
        if elevation[place] > 0.0
    )
