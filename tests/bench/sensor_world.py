"""What happens round the board in the tests of the sensors, to the cycle: line, presses, pulses, voltages, air."""

from __future__ import annotations

import random
from dataclasses import dataclass

from offtake.bench.line import Line, steady
from offtake.bench.sensors import AnalogueInput, EventInput, PressurePart, PulseInput, PulseTrain, World
from sensor_journal import HZ

SECONDS = 20
PULSE_COUNT = 100_000
PULSE_PERIOD = 2_239.37
"""Cycles; 7,145 Hz, no whole number of ticks."""
VOLTAGES = (((0.0, SECONDS * HZ), (400.0, 4_600.0)), ((0.0, 1.0), (2_345.0, 2_345.0)))
"""Cycles and millivolts at the two analogue pins."""
READINGS = ((0.0, 101_325.0, 21.5), (SECONDS * HZ, 99_871.0, 24.2))
"""Cycles, pascals, degrees Celsius."""


@dataclass(frozen=True)
class Presses:
    """Scripted presses with bounces: each level lasts ``hold_ms`` or more and begins with a burst of short ones."""

    edges: tuple[float, ...]
    turns: tuple[float, ...]
    """The first edge of each burst: what an event's tick has to say."""

    @property
    def input(self) -> EventInput:
        """The pin's level."""
        return EventInput(self.edges)


def presses(
    seed: int, count: int, *, start_ms: float, hold_ms: float, bounce_ms: float, hz: int = HZ
) -> Presses:
    """``count`` presses from ``start_ms`` on, each down and up for ``hold_ms`` to twice that, at any fraction of a
    cycle, with up to six more edges within ``bounce_ms`` of each turn."""
    rng = random.Random(seed)
    edges: list[float] = []
    turns: list[float] = []
    at = start_ms * hz / 1000
    for _ in range(2 * count):
        turns.append(at)
        extra = sorted(rng.uniform(2.0, bounce_ms * hz / 1000) for _ in range(2 * rng.randint(0, 3)))
        edges += [at, *(at + offset + index * 2.0 for index, offset in enumerate(extra))]
        at += rng.uniform(hold_ms, 2 * hold_ms) * hz / 1000
    return Presses(tuple(edges), tuple(turns))


def saturated(seconds: float, *, start_ms: float = 1_000.0, seed: int = 1) -> tuple[bytes, Line]:
    """Random bytes for so long at 57,600 baud without a pause, and the line that carries them."""
    payload = random.Random(seed).randbytes(int(seconds * 5_760))
    return payload, steady(payload, baud=57_600, frequency_hz=HZ, start_ms=start_ms)


def the_world(pressed: Presses | None) -> World:
    """All four sensors, each moving; ``pressed`` is the button."""
    return World(
        analogue_1=AnalogueInput(tuple(zip(*VOLTAGES[0], strict=True)), noise_mv=3.0),
        analogue_2=AnalogueInput(tuple(zip(*VOLTAGES[1], strict=True))),
        event=None if pressed is None else pressed.input,
        pulses=PulseInput((PulseTrain(1.5 * HZ, PULSE_PERIOD, PULSE_COUNT, 611.0),)),
        pressure=PressurePart.truth(READINGS),
        seed=11,
    )
