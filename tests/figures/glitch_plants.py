"""Faults planted into invented runs, and whether the analysis finds them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from glitch_worlds import VEHICLES, Arrays, Receiver, Vehicle, fixes_of, observe, receiver_of
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis, Gap
from offtake.track.contribution import DAY_US
from offtake.track.fix import Fix, Track

KINDS = ("jump", "frozen", "dropout", "time_step")
RATES_HZ = (1, 5, 10)
# Far enough apart for each to be told from its neighbours.
SPACING_S = 75.0
JUMP_M = (5.0, 5000.0)
# The reported seeds; thresholds were chosen on seeds from 1,000,000 on, which the command never uses.
REPORTED_SEED = 7_000
TUNING_SEED = 1_000_000

DROPPED = ("nothing_heard", "bytes_lost")
SMALLEST_SIGMAS = 15.0

FOUND_AS = {
    "jump": ("jump",),
    "frozen": ("frozen",),
    "time_step": ("time_backwards", "time_jump"),
}


@dataclass(frozen=True)
class Plant:
    """A planted fault at fixes ``first`` to ``last``; ``size`` is metres of a jump, else seconds."""

    kind: str
    first: int
    last: int
    size: float
    detail: str


@dataclass
class World:
    """One run with its faults; ``step_sigma_m`` is the noise of one step an axis without faults."""

    vehicle: Vehicle
    receiver: Receiver
    rate_hz: int
    seed: int
    fixes: list[Fix]
    plants: list[Plant] = field(default_factory=list)
    losses: list[int] = field(default_factory=list)
    step_sigma_m: float = 0.0

    def analysis(self) -> Analysis:
        """What the analysis finds in it."""
        return analyse(Track(1, tuple(self.fixes)), losses=self.losses)


def make_world(
    vehicle: Vehicle, rate_hz: int, seed: int, *, duration_s: float, planted: bool, jump_sigmas: float | None = None
) -> World:
    """A run of ``duration_s`` seconds, clean or with a fault about every 90 seconds.

    With ``jump_sigmas`` all faults are jumps, so many times the sigma of a step at the dilution there.
    """
    random = np.random.default_rng([seed, VEHICLES.index(vehicle), rate_hz])
    receiver = receiver_of(random)
    run = observe(vehicle, receiver, rate_hz, duration_s, random)
    sigma = step_sigma_m(receiver, rate_hz)
    world = World(vehicle, receiver, rate_hz, seed, [], step_sigma_m=sigma)
    starts: list[float] = []
    if planted:
        starts = (np.arange(30.0, duration_s - SPACING_S, SPACING_S + 15.0) + random.uniform(0, 15)).tolist()
    kinds = [KINDS[int(one)] for one in random.permutation(len(starts)) % len(KINDS)]
    if jump_sigmas is not None:
        kinds = ["jump"] * len(starts)
    plans = [(kind, round(start * rate_hz)) for kind, start in zip(kinds, starts, strict=True)]
    for kind, at in plans:
        if kind == "jump":
            run = _jump(world, run, at, random, jump_sigmas)
    world.fixes = fixes_of(run, receiver)
    for kind, at in plans:
        if kind != "jump":
            {"frozen": _freeze, "dropout": _drop_out, "time_step": _step_time}[kind](world, run, at, random)
    _take_out(world, random)
    world.plants.sort(key=lambda plant: plant.first)
    return world


def smallest_jump_m(world: World, hdop: float) -> float:
    """The least jump planted: 5 m, 15 sigma of a step at this dilution, and, where no speed is told, what an
    acceleration of 10 m/s^2 could do between two epochs."""
    hidden = 0.0 if world.receiver.speed_told else 10.0 / world.rate_hz**2
    return max(JUMP_M[0], SMALLEST_SIGMAS * world.step_sigma_m * hdop + hidden)


def step_sigma_m(receiver: Receiver, rate_hz: int) -> float:
    """The sigma an axis of a step's disagreement with speed and course, from the receiver's own errors."""
    seconds = 1 / rate_hz
    wander = receiver.wander_m**2 * 2 * (1 - np.exp(-seconds / receiver.wander_s))
    digits = 2 * (1852 / 10**receiver.decimals) ** 2 / 12
    speed = (receiver.speed_m_s * seconds) ** 2 / 2
    return float(np.sqrt(2 * receiver.white_m**2 + wander + digits + speed))


def _jump(world: World, run: Arrays, at: int, random: np.random.Generator, sigmas: float | None) -> Arrays:
    """Positions move by a vector, for one fix up to half a minute or for good; the speed does not show it."""
    smallest = smallest_jump_m(world, float(run.hdop[at]))
    size = float(np.exp(random.uniform(np.log(smallest), np.log(JUMP_M[1]))))
    if sigmas is not None:
        size = sigmas * world.step_sigma_m * float(run.hdop[at])
    kind = str(random.choice(["spike", "excursion", "lasting"]))
    length = {"spike": 1, "excursion": round(random.uniform(2, 30) * world.rate_hz), "lasting": 1}[kind]
    end = len(run.east_m) if kind == "lasting" else at + length
    direction = float(random.uniform(0, 2 * np.pi))
    east, north = run.east_m.copy(), run.north_m.copy()
    east[at:end] += size * np.sin(direction)
    north[at:end] += size * np.cos(direction)
    world.plants.append(Plant("jump", at, at + length - 1, size, kind))
    return replace(run, east_m=east, north_m=north)


def _freeze(world: World, run: Arrays, at: int, random: np.random.Generator) -> None:
    """Output stands still: the position alone, the whole solution, or that and the time."""
    length = round(random.uniform(5, 30) * world.rate_hz)
    kinds = ["position", "solution", "everything"]
    moving = _moving_from(run, at, length)
    kind = "everything" if moving is None else str(random.choice(kinds))
    at = at if moving is None else moving
    held = world.fixes[at]
    for number in range(at, at + length + 1):
        fix = replace(world.fixes[number], latitude_deg=held.latitude_deg, longitude_deg=held.longitude_deg)
        if kind != "position":
            fix = replace(fix, speed_m_s=held.speed_m_s, course_deg=held.course_deg, hdop=held.hdop)
        if kind == "everything":
            fix = replace(fix, time_of_day_us=held.time_of_day_us, utc=held.utc)
        world.fixes[number] = fix
    world.plants.append(Plant("frozen", at, at + length, length / world.rate_hz, kind))


def _moving_from(run: Arrays, at: int, length: int) -> int | None:
    """The first place within half a minute from which the vehicle keeps moving, with 1 m/s to begin with."""
    for start in range(at, min(at + 30 * run.rate_hz, len(run.seconds) - length - 1)):
        if run.true_speed_m_s[start : start + length + 1].min() > 0.75 and run.true_speed_m_s[start] > 1.0:
            return start
    return None


def _drop_out(world: World, run: Arrays, at: int, random: np.random.Generator) -> None:
    """No positions for a while: epochs without one, silence, or lost bytes."""
    length = round(random.uniform(5, 30) * world.rate_hz)
    kind = str(random.choice(["no_position", *DROPPED]))
    if kind == "no_position":
        for number in range(at, at + length):
            world.fixes[number] = replace(
                world.fixes[number], latitude_deg=None, longitude_deg=None, speed_m_s=None, course_deg=None,
                fix_quality="none",
            )  # fmt: skip
    if kind == "bytes_lost":
        world.losses.append(world.fixes[at + length // 2].tick_us)
    world.plants.append(Plant("dropout", at, at + length - 1, length / world.rate_hz, kind))


def _step_time(world: World, run: Arrays, at: int, random: np.random.Generator) -> None:
    """The receiver's clock is off by whole seconds up to an hour: for a few epochs, or from here on."""
    size = float(np.round(np.exp(random.uniform(0, np.log(3600))))) * float(random.choice([-1, 1]))
    length = round(random.uniform(1, 20) * world.rate_hz)
    kind = str(random.choice(["for a while", "lasting"]))
    end = len(world.fixes) if kind == "lasting" else at + length
    for number in range(at, end):
        time_us = world.fixes[number].time_of_day_us
        assert time_us is not None
        moved_us = (time_us + round(size * 1e6)) % DAY_US
        world.fixes[number] = replace(world.fixes[number], time_of_day_us=moved_us, utc=None)
    world.plants.append(Plant("time_step", at, at, size, kind))
    if kind == "for a while":
        world.plants.append(Plant("time_step", end, end, -size, "back"))


def _take_out(world: World, random: np.random.Generator) -> None:
    """Leave out fixes that never came, and move the plants' numbers with them."""
    missing = np.flatnonzero(random.random(len(world.fixes)) < world.receiver.missing).tolist()
    touched = {number for plant in world.plants for number in range(plant.first - 1, plant.last + 2)}
    dropped = set(missing) - touched
    for plant in world.plants:
        if plant.detail in DROPPED:
            dropped |= set(range(plant.first, plant.last + 1))
    left = np.cumsum([number not in dropped for number in range(len(world.fixes))]) - 1
    world.fixes = [fix for number, fix in enumerate(world.fixes) if number not in dropped]
    # A dropout is found between the fix before it and the one after.
    world.plants = [
        replace(plant, first=int(left[max(0, plant.first)]), last=int(left[plant.last])) for plant in world.plants
    ]


@dataclass
class Score:
    """What was planted and found, by kind; ``extra`` are findings that nothing planted explains."""

    planted: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    extra: Counter[str] = field(default_factory=Counter)
    hours: float = 0.0
    missed: list[str] = field(default_factory=list)
    extras: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Add what ``other`` counted."""
        self.planted += other.planted
        self.found += other.found
        self.extra += other.extra
        self.hours += other.hours
        self.missed += other.missed
        self.extras += other.extras


def judge(world: World) -> Score:
    """Analyse ``world`` and hold what is found against what was planted."""
    found, score = world.analysis(), Score()
    score.hours = (world.fixes[-1].tick_us - world.fixes[0].tick_us) / 3.6e9
    name = f"{world.vehicle.name} {world.rate_hz} Hz seed {world.seed}"
    explained: set[int] = set()
    for plant in world.plants:
        score.planted[plant.kind] += 1
        near = {number for number, one in enumerate(found.glitches) if _meets(world, plant, one.first, one.last)}
        explained |= near
        if plant.kind == "dropout":
            hit = any(gap.reason == plant.detail and _encloses(world, plant, gap) for gap in found.gaps)
        else:
            hit = any(found.glitches[number].kind in FOUND_AS[plant.kind] for number in near)
        score.found[plant.kind] += hit
        if not hit:
            score.missed.append(f"missed: {name}: {plant}")
    for number, one in enumerate(found.glitches):
        if number not in explained:
            score.extra[one.kind] += 1
            score.extras.append(f"extra: {name}: fix {one.first}: {one.text}")
    return score


def _meets(world: World, plant: Plant, first: int, last: int) -> bool:
    """Whether fixes ``first`` to ``last`` are the plant's, or within half a second and two fixes of it."""
    slack = 2 + world.rate_hz // 2
    return first <= plant.last + slack and last >= plant.first - slack


def _encloses(world: World, plant: Plant, gap: Gap) -> bool:
    """Whether ``gap`` is where the plant is."""
    first = -1 if gap.first is None else gap.first
    last = len(world.fixes) if gap.last is None else gap.last
    return first <= plant.last + 2 and last >= plant.first - 2


def worlds(seed: int, count: int, *, duration_s: float, planted: bool) -> Iterator[World]:
    """``count`` runs of every vehicle at every rate, seeded from ``seed`` on."""
    for number in range(count):
        for vehicle in VEHICLES:
            for rate_hz in RATES_HZ:
                yield make_world(vehicle, rate_hz, seed + number, duration_s=duration_s, planted=planted)
