"""The world round the board: voltages, button presses, pulses and a pressure part, as the chip's pins meet them.

Times are CPU cycles since power-on, as :attr:`offtake.bench.chip.Chip.cycle` counts them. Everything that varies is
seeded by :attr:`World.seed`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from offtake.bench.compensation import Constants, raw_readings
from offtake.errors import UsageError

FOREVER = 2**62
"""A cycle that no run reaches."""
HALF_PERIOD_MIN = 1.0
"""Cycles that a level has to last for the chip to see it for certain (ATmega328P datasheet, "External Clock Source":
each half period longer than one system clock cycle)."""
Point = tuple[float, float]
Reading = tuple[float, float, float]


@dataclass(frozen=True)
class AnalogueInput:
    """The voltage at one analogue pin, behind the divider.

    ``points`` are (cycle, mV), straight between, constant before the first and after the last. ``noise_mv`` is the
    standard deviation of noise that each conversion meets anew.
    """

    points: tuple[Point, ...]
    noise_mv: float = 0.0

    def __post_init__(self) -> None:
        if not self.points:
            raise UsageError("an analogue input without a voltage", expected="at least one point (cycle, mV)")


@dataclass(frozen=True)
class EventInput:
    """The level of PB0: it turns over at each of ``edges`` (cycles, rising, at least one cycle apart)."""

    edges: tuple[float, ...]
    high_first: bool = False

    def pulses(self) -> list[PulseTrain]:
        """The same as high pulses."""
        turns = [-1.0, *self.edges] if self.high_first else list(self.edges)
        if len(turns) % 2:
            turns.append(float(FOREVER))
        return [
            PulseTrain(rise, 0.0, 1, fall - rise) for rise, fall in zip(turns[::2], turns[1::2], strict=True)
        ]


@dataclass(frozen=True)
class PulseTrain:
    """``count`` pulses, the first at ``start``, one every ``period`` cycles, each high for ``high`` cycles."""

    start: float
    period: float
    count: int
    high: float


@dataclass(frozen=True)
class PulseInput:
    """The level of PD4: low but for the pulses of ``trains``, which are in the order of time."""

    trains: tuple[PulseTrain, ...]

    @property
    def count(self) -> int:
        """Pulses in all."""
        return sum(train.count for train in self.trains)


@dataclass(frozen=True)
class Stuck:
    """SDA held low from one cycle to another, or until ``clocks`` clock pulses have come (0: not by clocks)."""

    start: float
    end: float = FOREVER
    clocks: int = 0


@dataclass(frozen=True)
class PressurePart:
    """A pressure-temperature part on PC4 and PC5.

    ``points`` are (cycle, raw pressure, raw temperature), straight between. ``present`` lists the (first, end) cycles
    between which it has power, None for always; ``own_pull_ups`` says that the wires' pull-ups go with it.
    ``conversion`` is the share of the datasheet's longest conversion time that it takes; ``stretch_us`` holds the clock
    low after each byte; ``rise_us`` is the time a wire takes to become high.
    """

    points: tuple[Reading, ...]
    constants: Constants = field(default_factory=Constants)
    chip_id: int = 0x58
    address: int = 0x76
    present: tuple[tuple[float, float], ...] | None = None
    own_pull_ups: bool = False
    stuck: tuple[Stuck, ...] = ()
    stretch_us: float = 0.0
    rise_us: float = 0.4
    conversion: float = 1.0
    startup_ms: float = 2.0

    @staticmethod
    def truth(points: Sequence[Reading], constants: Constants | None = None, **more: Any) -> PressurePart:
        """A part that stands in a true pressure and temperature.

        :param points: (cycle, Pa, degC); the raw readings are straight between them.
        :param more: the other fields of :class:`PressurePart`.
        :raises UsageError: a value that the part cannot read.
        """
        chosen = constants or Constants()
        raw = tuple((cycle, *raw_readings(chosen, pa, degc)) for cycle, pa, degc in points)
        return PressurePart(raw, constants=chosen, **more)


@dataclass(frozen=True)
class World:
    """Everything round the board but the receiver's line and the card; None where nothing is connected.

    ``false_edges``: a change of ICES1 or PCMSKn may look like an edge, as the datasheet warns; off, it never does.
    """

    analogue_1: AnalogueInput | None = None
    analogue_2: AnalogueInput | None = None
    event: EventInput | None = None
    pulses: PulseInput | None = None
    pressure: PressurePart | None = None
    seed: int = 1
    false_edges: bool = True


@dataclass(frozen=True)
class SensorCounts:
    """What the firmware did to the sensors' pins and on their bus.

    Cycles are the first at which a thing happened, 0 for never. The others are counts, see ``native/api.h``.
    """

    event_output_cycle: int
    event_pullup_cycle: int
    pulses_output_cycle: int
    pulses_pullup_cycle: int
    analogue_output_cycle: int
    analogue_pullup_cycle: int
    bus_driven_cycle: int
    bus_pullup_cycle: int
    starts: int
    stops: int
    acknowledged: int
    unanswered: int
    bytes_read: int
    bytes_written: int
    conversions: int
    too_fast: int
    unexpected: int

    @property
    def only_inputs(self) -> bool:
        """Whether no sensor's pin was ever driven, and the bus only ever pulled low."""
        driven = (self.event_output_cycle, self.pulses_output_cycle, self.analogue_output_cycle, self.bus_driven_cycle)
        return not any(driven) and self.analogue_pullup_cycle == 0


def connect(ffi: Any, lib: Any, bench: Any, world: World, frequency_hz: int) -> None:
    """Connects ``world`` to the pins of the native ``bench``.

    :raises UsageError: times out of order, or levels shorter than one clock cycle.
    """
    lib.bench_world_false_edges(bench, int(world.false_edges))
    signals = (world.event.pulses() if world.event else None, list(world.pulses.trains) if world.pulses else None)
    for which, trains in enumerate(signals):
        if trains is not None:
            _signal(ffi, lib, bench, which, trains)
    inputs = (world.analogue_1, world.analogue_2)
    for which, given in enumerate(inputs):
        if given is not None:
            _curve(ffi, lib, bench, which, given.points)
    lib.bench_world_noise(bench, *(given.noise_mv if given else 0.0 for given in inputs), world.seed)
    if world.pressure is not None:
        _part(ffi, lib, bench, world.pressure, frequency_hz)


def _signal(ffi: Any, lib: Any, bench: Any, which: int, trains: list[PulseTrain]) -> None:
    for train in trains:
        low = train.period - train.high if train.count > 1 else HALF_PERIOD_MIN
        if train.count < 1 or train.high < HALF_PERIOD_MIN or low < HALF_PERIOD_MIN:
            raise UsageError(f"{train}", expected="one pulse or more, high and low for a clock cycle at least")
    columns = [np.array([getattr(t, name) for t in trains], dtype=np.float64) for name in ("start", "period", "high")]
    counts = np.array([train.count for train in trains], dtype=np.uint64)
    pointers = [ffi.cast("double *", ffi.from_buffer(column)) for column in columns]
    if lib.bench_world_signal(
        bench, which, *pointers, ffi.cast("uint64_t *", ffi.from_buffer(counts)), len(trains)
    ):
        raise UsageError("pulses or edges are out of order", expected="each after the end of the one before")


def _curve(ffi: Any, lib: Any, bench: Any, which: int, points: Sequence[Point]) -> None:
    columns = [np.array(column, dtype=np.float64) for column in zip(*points, strict=True)]
    pointers = [ffi.cast("double *", ffi.from_buffer(column)) for column in columns]
    if lib.bench_world_curve(bench, which, *pointers, len(points)):
        raise UsageError("points are not in the order of time")


def _part(ffi: Any, lib: Any, bench: Any, part: PressurePart, frequency_hz: int) -> None:
    if not part.points:
        raise UsageError("a pressure part without a reading", expected="at least one point")
    for which, column in ((2, 1), (3, 2)):
        _curve(ffi, lib, bench, which, [(point[0], point[column]) for point in part.points])
    present = ((0, FOREVER),) if part.present is None else part.present
    _spans(ffi, lib, bench, 0, [(int(first), int(end), 0) for first, end in present])
    _spans(ffi, lib, bench, 1, [(int(s.start), int(s.end), s.clocks) for s in part.stuck])
    config = ffi.new("bench_part_config_t *")
    config.address = part.address
    config.chip_id = part.chip_id
    config.own_pull_ups = int(part.own_pull_ups)
    config.conversion_percent = round(part.conversion * 100)
    config.rise_cycles = max(1, round(part.rise_us * frequency_hz / 1e6))
    config.stretch_cycles = round(part.stretch_us * frequency_hz / 1e6)
    config.startup_cycles = round(part.startup_ms * frequency_hz / 1e3)
    config.constants = part.constants.stored
    lib.bench_part_fit(bench, config)


def _spans(ffi: Any, lib: Any, bench: Any, which: int, spans: Sequence[tuple[int, int, int]]) -> None:
    columns = [ffi.new("uint64_t[]", [span[k] for span in spans]) for k in range(3)]
    lib.bench_part_spans(bench, which, *columns, len(spans))
