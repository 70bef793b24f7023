"""Invented runs for the glitch table: how vehicles move and what a receiver makes of it.

The errors are a receiver's: a slow wander (first-order Gauss-Markov), a little white noise on top and small steps
where the satellites in use change, all scaled with the dilution; a speed that lags and has its own noise, or none at
all; epochs that come late, and some that never come; positions and speeds cut to the digits of text sentences. All
figures are invented, and of the usual size.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from offtake.track.contribution import DAY_US, KNOT_M_S
from offtake.track.fix import Fix
from offtake.track.geodesy import radii_m

Floats = NDArray[np.float64]
STEP_S = 0.05
START_UTC = dt.datetime(2031, 5, 4, 22, 40, tzinfo=dt.UTC)
# In the open ocean.
ORIGIN_DEG = (-31.75, -101.25)


@dataclass(frozen=True)
class Vehicle:
    """How it moves: speeds it likes (m/s), how fast it changes them (m/s^2), how fast it turns (deg/s), how often it
    stops."""

    name: str
    speeds_m_s: tuple[float, float]
    acceleration_m_s2: float
    turn_deg_s: float
    stops: float


VEHICLES = (
    Vehicle("walker", (0.9, 1.7), 1.0, 30.0, 0.15),
    Vehicle("kayak", (0.8, 2.2), 0.5, 12.0, 0.10),
    Vehicle("car", (8.0, 33.0), 3.5, 14.0, 0.20),
    Vehicle("multirotor", (2.0, 16.0), 6.0, 60.0, 0.25),
    Vehicle("stationary", (0.0, 0.0), 1.0, 0.0, 1.0),
)


@dataclass(frozen=True)
class Receiver:
    """Errors: sigma an axis of wander, of white noise and of the steps at a change of satellites (m), the wander's time
    (s), the speed's noise (m/s) and lag (s); decimals of a minute; whether speed and course are told, and the course at
    rest too; whether the dilution has bad spells; the share of epochs that never come."""

    wander_m: float = 2.0
    wander_s: float = 90.0
    white_m: float = 0.15
    speed_m_s: float = 0.06
    lag_s: float = 0.25
    decimals: int = 5
    steps_m: float = 0.3
    speed_told: bool = True
    course_at_rest: bool = True
    bad_spells: bool = False
    missing: float = 0.0


@dataclass(frozen=True)
class Arrays:
    """A run before it becomes fixes: one element an epoch. ``east_m`` and ``north_m`` are positions with their errors,
    seen from the origin; ``true_speed_m_s`` is the vehicle's."""

    rate_hz: int
    seconds: Floats
    east_m: Floats
    north_m: Floats
    velocity_east_m_s: Floats
    velocity_north_m_s: Floats
    true_speed_m_s: Floats
    hdop: Floats
    late_s: Floats


def receiver_of(random: np.random.Generator) -> Receiver:
    """A receiver drawn from the usual ones."""
    return Receiver(
        wander_m=float(random.uniform(0.8, 3.0)),
        wander_s=float(random.uniform(40.0, 200.0)),
        white_m=float(random.uniform(0.05, 0.4)),
        speed_m_s=float(random.uniform(0.03, 0.12)),
        lag_s=float(random.uniform(0.0, 0.4)),
        decimals=int(random.choice([4, 5])),
        course_at_rest=bool(random.random() < 0.5),
        bad_spells=bool(random.random() < 0.4),
        steps_m=float(random.uniform(0.1, 0.5)),
        speed_told=bool(random.random() < 0.85),
        missing=float(random.choice([0.0, 0.002, 0.01])),
    )


def drive(vehicle: Vehicle, duration_s: float, random: np.random.Generator) -> tuple[Floats, Floats, Floats, Floats]:
    """True east, north, velocity east and north every ``STEP_S`` seconds."""
    steps = round(duration_s / STEP_S) + 1
    speed, heading = 0.0, float(random.uniform(0, 360))
    goal, turn, left = 0.0, 0.0, 0
    speeds, headings = np.zeros(steps), np.zeros(steps)
    for step in range(steps):
        if left <= 0:
            left = round(float(random.uniform(3, 30)) / STEP_S)
            goal = 0.0 if random.random() < vehicle.stops else float(random.uniform(*vehicle.speeds_m_s))
            turning = random.random() < 0.5
            turn = float(random.normal(0, vehicle.turn_deg_s / 2)) if turning else 0.0
            # What tyres and hulls bear: half a g across, whatever the speed.
            turn = float(np.clip(turn, -280 / max(goal, 1.0), 280 / max(goal, 1.0)))
        left -= 1
        change = float(
            np.clip(goal - speed, -1.5 * vehicle.acceleration_m_s2 * STEP_S, vehicle.acceleration_m_s2 * STEP_S)
        )
        speed += change
        heading += turn * STEP_S
        speeds[step], headings[step] = speed, heading
    east, north = speeds * np.sin(np.radians(headings)), speeds * np.cos(np.radians(headings))
    return np.cumsum(east) * STEP_S, np.cumsum(north) * STEP_S, east, north


def observe(
    vehicle: Vehicle, receiver: Receiver, rate_hz: int, duration_s: float, random: np.random.Generator
) -> Arrays:
    """What ``receiver`` on ``vehicle`` reports ``rate_hz`` times a second, without any glitch."""
    east, north, velocity_east, velocity_north = drive(vehicle, duration_s, random)
    every = round(1 / rate_hz / STEP_S)
    shown = []
    for velocity in (velocity_east, velocity_north):
        shown.append(_lagged(velocity, receiver.lag_s)[::every])
    count = len(shown[0])
    hdop = _dilution(receiver, count, rate_hz, random)
    scale = hdop / 1.0
    errors = [
        scale * (_wander(receiver, count, rate_hz, random) + random.normal(0, receiver.white_m, count))
        for _ in range(2)
    ]
    noise = [random.normal(0, receiver.speed_m_s, count) * scale for _ in range(2)]
    return Arrays(
        rate_hz=rate_hz,
        seconds=np.arange(count) / rate_hz,
        east_m=east[::every] + errors[0],
        north_m=north[::every] + errors[1],
        velocity_east_m_s=shown[0] + noise[0],
        velocity_north_m_s=shown[1] + noise[1],
        true_speed_m_s=np.hypot(velocity_east, velocity_north)[::every],
        hdop=hdop,
        late_s=_lateness(rate_hz, count, random),
    )


def _lagged(values: Floats, lag_s: float) -> Floats:
    if lag_s <= 0:
        return values
    share = 1 - np.exp(-STEP_S / lag_s)
    lagged, state = np.empty_like(values), values[0]
    for step, value in enumerate(values.tolist()):
        state += share * (value - state)
        lagged[step] = state
    return lagged


def _wander(receiver: Receiver, count: int, rate_hz: int, random: np.random.Generator) -> Floats:
    keep = np.exp(-1 / rate_hz / receiver.wander_s)
    kicks = random.normal(0, receiver.wander_m * np.sqrt(1 - keep**2), count)
    values, state = np.empty(count), float(random.normal(0, receiver.wander_m))
    for step, kick in enumerate(kicks.tolist()):
        state = keep * state + kick
        values[step] = state
    # The satellites in use change about every two minutes.
    changes = random.random(count) < 1 / rate_hz / 120
    return np.asarray(values + np.cumsum(np.where(changes, random.normal(0, receiver.steps_m, count), 0.0)))


def _lateness(rate_hz: int, count: int, random: np.random.Generator) -> Floats:
    """Seconds from the epoch to its first byte, less the constant part: mostly some milliseconds, sometimes much more,
    never so much that the next epoch comes first."""
    late = random.exponential(0.01, count) + (random.random(count) < 0.005) * random.uniform(0, 0.4, count)
    return np.asarray(np.minimum(late, 0.9 / rate_hz))


def _dilution(receiver: Receiver, count: int, rate_hz: int, random: np.random.Generator) -> Floats:
    hdop = 1.0 + 0.15 * np.sin(np.arange(count) / rate_hz / 300 + random.uniform(0, 6))
    if receiver.bad_spells:
        for start in random.uniform(0, count, max(1, count // (600 * rate_hz))):
            length = round(random.uniform(20, 60) * rate_hz)
            rise = np.sin(np.linspace(0, np.pi, length))
            part = slice(int(start), min(count, int(start) + length))
            hdop[part] += (random.uniform(1, 4) * rise)[: part.stop - part.start]
    return np.asarray(np.round(hdop, 2))


def fixes_of(run: Arrays, receiver: Receiver) -> list[Fix]:
    """The run as fixes, in the digits of text sentences; ticks run 0.2 % fast."""
    meridian, prime = (float(one[0]) for one in radii_m(np.array([ORIGIN_DEG[0]])))
    unit = 60 * 10**receiver.decimals
    latitude = ORIGIN_DEG[0] + np.degrees(run.north_m / meridian)
    longitude = ORIGIN_DEG[1] + np.degrees(run.east_m / (prime * np.cos(np.radians(ORIGIN_DEG[0]))))
    speed = np.hypot(run.velocity_east_m_s, run.velocity_north_m_s)
    course = np.degrees(np.arctan2(run.velocity_east_m_s, run.velocity_north_m_s)) % 360
    start_us = ((START_UTC.hour * 60 + START_UTC.minute) * 60 + START_UTC.second) * 1_000_000
    fixes = []
    for at, second in enumerate(run.seconds.tolist()):
        course_told = receiver.speed_told and (receiver.course_at_rest or float(speed[at]) > 0.25)
        shown_kn = round(float(speed[at]) / KNOT_M_S, 2)
        fixes.append(
            Fix(
                run=1,
                tick_us=round((second + 0.35 + float(run.late_s[at])) * 1.002e6),
                utc=START_UTC + dt.timedelta(seconds=second),
                time_of_day_us=(start_us + round(second * 1e6)) % DAY_US,
                latitude_deg=round(float(latitude[at]) * unit) / unit,
                longitude_deg=round(float(longitude[at]) * unit) / unit,
                speed_m_s=shown_kn * KNOT_M_S if receiver.speed_told else None,
                course_deg=round(float(course[at]), 2) % 360 if course_told else None,
                fix_quality="autonomous",
                fix_type="3d",
                satellites_used=9,
                hdop=float(run.hdop[at]),
            )
        )
    return fixes
