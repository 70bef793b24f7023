"""What a scenario's sensors meet, moment by moment: for the bench's pins, and to hold a log against."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from offtake.bench.board import Board
from offtake.bench.sensors import AnalogueInput, EventInput, PressurePart, PulseInput, PulseTrain, World
from offtake.errors import SpecError
from offtake.scenario.model import AnaloguePlan, ButtonPlan, Scenario, SensorsPlan

Floats = NDArray[np.float64]

PULSES_MAX = 200_000
_AFTER_S = 5.0
"""So long after the receiver's last byte the world still goes on."""
_BOUNCE_MIN_S = 1e-6


@dataclass(frozen=True)
class Turn:
    """A change of the button that lasts: the moment of its first edge, and the level from then on."""

    at_s: float
    high: bool


def scenario_world(scenario: Scenario, vcc_mv: int = Board().vcc_mv) -> World | None:
    """The scenario's sensors at the pins of a board supplied with ``vcc_mv``; None where it has none.

    :raises SpecError: more pulses than a scenario may have. :raises UsageError: what the pressure part cannot read.
    """
    plan = scenario.sensors
    if plan is None:
        return None
    hz = scenario.frequency_hz
    pressure = None
    if plan.air is not None:
        pressure = PressurePart.truth([(at_s * hz, pa, degc) for at_s, pa, degc in plan.air.points])
    return World(
        analogue_1=_at_the_pin(plan.analogue_1, plan.settings.full_scale_1_mv, vcc_mv, hz),
        analogue_2=_at_the_pin(plan.analogue_2, plan.settings.full_scale_2_mv, vcc_mv, hz),
        event=_presses(scenario, hz) if plan.button else None,
        pulses=PulseInput(tuple(_trains(scenario, plan, hz))) if plan.pulses else None,
        pressure=pressure,
        seed=scenario.seed,
    )


def _at_the_pin(plan: AnaloguePlan | None, full_mv: int | None, vcc_mv: int, hz: int) -> AnalogueInput | None:
    if plan is None or full_mv is None:
        return None
    share = vcc_mv / full_mv
    return AnalogueInput(tuple((at_s * hz, mv * share) for at_s, mv in plan.points), plan.noise_mv * share)


def _presses(scenario: Scenario, hz: int) -> EventInput:
    return EventInput(tuple(at_s * hz for at_s in button_edges_s(scenario)), high_first=True)


def button_turns(plan: ButtonPlan) -> list[Turn]:
    """The button's presses and releases, in order; it pulls the input low."""
    return [
        turn for at_s, length_s in plan.presses for turn in (Turn(at_s, False), Turn(at_s + length_s, True))
    ]


def button_edges_s(scenario: Scenario) -> list[float]:
    """Every edge of the button, bounces included, in seconds since power-on; the same for the same scenario."""
    plan = scenario.sensors.button if scenario.sensors else None
    if plan is None:
        return []
    rng = random.Random(scenario.seed + 2)
    turns = button_turns(plan)
    edges: list[float] = []
    for turn, following in zip(turns, [*turns[1:], None], strict=True):
        room_s = min(plan.bounce_ms / 1000.0, 0.4 * (following.at_s - turn.at_s) if following else math.inf)
        more = sorted(rng.uniform(_BOUNCE_MIN_S, room_s) for _ in range(2 * plan.bounces))
        # Each a little after the one before, so that the chip could see it.
        later = (offset + index * _BOUNCE_MIN_S for index, offset in enumerate(more, start=1))
        edges += [turn.at_s, *(turn.at_s + offset for offset in later)]
    return edges


def pulse_times_s(scenario: Scenario) -> Floats:
    """When each pulse begins, shape (n,), in seconds since power-on: where the rate's integral passes a whole number.

    :raises SpecError: they are more than :data:`PULSES_MAX`.
    """
    plan = scenario.sensors.pulses if scenario.sensors else None
    if plan is None:
        return np.zeros(0)
    end_s = scenario.receiver.start_s + scenario.receiver.duration_s + _AFTER_S
    knots = [(at_s, rate) for at_s, rate in plan.rates if at_s < end_s]
    times, rates = zip(*plan.rates, strict=True)
    knots.append((end_s, float(np.interp(end_s, times, rates))))
    found: list[Floats] = []
    phase = 0.0
    for (from_s, rate), (to_s, later) in pairwise(knots):
        length = to_s - from_s
        turns = (rate + later) / 2.0 * length
        if phase + turns > PULSES_MAX:
            raise SpecError("too many pulses", where="sensors.pulses.rates", expected=f"at most {PULSES_MAX:,}")
        whole = np.arange(math.floor(phase) + 1, math.floor(phase + turns) + 1, dtype=np.float64) - phase
        found.append(from_s + _times_of(whole, rate, (later - rate) / length))
        phase += turns
    return np.concatenate(found)


def _times_of(turns: Floats, rate: float, slope: float) -> Floats:
    """When ``turns`` have passed at a rate that begins at ``rate`` and grows by ``slope`` a second."""
    if slope == 0.0:
        return turns / rate if rate else np.zeros(0)
    # 2 n / (r + sqrt(r^2 + 2 s n)): the root of r t + s t^2 / 2 = n that does not cancel.
    inside: Floats = np.maximum(rate * rate + 2.0 * slope * turns, 0.0)
    return np.asarray(2.0 * turns / (rate + np.sqrt(inside)), dtype=np.float64)


def _trains(scenario: Scenario, plan: SensorsPlan, hz: int) -> list[PulseTrain]:
    times = pulse_times_s(scenario)
    gaps = np.diff(times, append=math.inf)
    high_s = plan.pulses.high_ms / 1000.0 if plan.pulses else 0.0
    high = np.minimum(high_s, 0.5 * gaps)
    return [PulseTrain(float(at * hz), 0.0, 1, float(long * hz)) for at, long in zip(times, high, strict=True)]

