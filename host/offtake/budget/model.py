"""What is asked (a plan), and what comes out: lines in sections, each with value, limit, margin, verdict and source."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import Enum

from offtake.budget.divisor import BITS
from offtake.budget.sensors import Sensors
from offtake.budget.stalls import Load, Output
from offtake.budget.storage import blocks_per_s
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE

BAUD_LEAST, BAUD_MOST = 1_200, 1_000_000
"""The range that a journal's header allows (shared_spec/block.toml)."""
INTERVAL_MS_MOST = 60_000
"""The same header's longest interval of a sensor."""
VOLTS_MOST = 60.0
"""Above 60 V d.c. touching becomes dangerous (IEC 61140, from memory): no place for this board."""


class Verdict(Enum):
    """The word at the end of a line."""

    GOOD = "good"
    TIGHT = "tight"
    WILL_NOT_DO = "will not do"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True)
class BoardFacts:
    """What the spec says of a board: clock in Hz, the desk's first speed in Bd, the ring's size.

    ``sensors_take_bytes``: what the ring is shorter by while any sensor is on; of that, ``sensor_shelf_bytes`` hold the
    sensors' frames until the card takes them.
    """

    name: str
    clock_hz: int
    desk_baud: int
    ring_bytes: int
    sensors_take_bytes: int = 0
    sensor_shelf_bytes: int = 0


@dataclass(frozen=True)
class Plan:
    """What someone means to build. Volts, ohms, metres, percent, bytes, hours, mAh as the names say.

    ``outputs`` empty means a line that never pauses. ``card_shifter`` None means: where the board needs it.
    ``stall_ms`` is the longest stall that must cost nothing, if someone insists on one. ``sensor_frames`` are the
    messages that ``sensors`` make, with the size of their payloads.
    """

    board: BoardFacts
    baud: int
    board_v: float
    adapter_v: float
    receiver_v: float = 3.3
    supply_off_percent: float = 5.0
    board_clock_off_percent: float = 0.5
    line_clock_off_percent: float = 0.01
    resistor_ohm: float = 1000.0
    desk_ohm: float = 0.0
    wire_m: float = 0.3
    wrong_pad_v: float = 5.0
    usb_chip: bool = False
    outputs: tuple[Output, ...] = ()
    card_bytes: int = 8 * 2**30
    card_shifter: bool | None = None
    stall_ms: float | None = None
    hours_a_day: float = 8.0
    battery_mah: float = 1000.0
    battery_lowest_v: float | None = None
    regulator_drop_v: float = 0.0
    sensors: Sensors = field(default_factory=Sensors)
    sensor_frames: tuple[Output, ...] = ()

    @property
    def ring_bytes(self) -> int:
        """The ring as it is with these sensors."""
        return self.board.ring_bytes - (self.board.sensors_take_bytes if self.sensor_frames else 0)

    @property
    def blocks_per_s(self) -> float:
        """Blocks that go to the card, from line and sensors."""
        return blocks_per_s(self.load, self.sensor_frames, self.board.sensor_shelf_bytes)

    @property
    def card_bytes_per_s(self) -> float:
        """Bytes that go to the card."""
        return self.blocks_per_s * BLOCK_SIZE

    @property
    def load(self) -> Load:
        """What the line carries."""
        return Load(self.baud, self.outputs)


def check_plan(plan: Plan) -> None:
    """UsageError for the first figure that makes no sense, and what it may be."""
    _within("--baud", plan.baud, BAUD_LEAST, BAUD_MOST, "Bd")
    _within("--board-volts", plan.board_v, 0.5, 20, "V")
    _within("--receiver-volts", plan.receiver_v, 0.5, 20, "V")
    _within("--adapter-volts", plan.adapter_v, 0.5, 20, "V")
    _within("--supply-off", plan.supply_off_percent, 0, 50, "%")
    _within("--board-clock-off", plan.board_clock_off_percent, 0, 20, "%")
    _within("--line-clock-off", plan.line_clock_off_percent, 0, 20, "%")
    _within("--resistor", plan.resistor_ohm, 1, 1_000_000, "ohm")
    _within("--desk-resistor", plan.desk_ohm, 0, 1_000_000, "ohm")
    _within("--wire", plan.wire_m, 0, 100, "m")
    _within("--wrong-pad-volts", plan.wrong_pad_v, 0, 100, "V")
    _within("--card", plan.card_bytes, 2**20, 2**41, "bytes")
    _within("--stall-ms", plan.stall_ms, 0, 60_000, "ms")
    _within("--hours-a-day", plan.hours_a_day, 0.01, 24, "h")
    _within("--battery", plan.battery_mah, 1, 1_000_000, "mAh")
    _within("--battery-lowest-volts", plan.battery_lowest_v, 0.5, 100, "V")
    _within("--regulator-drop", plan.regulator_drop_v, 0, 20, "V")
    for output in plan.outputs:
        _within(f"rate of {output.name}", output.per_second, 0.001, 1000, "a second")
        _within(f"size of {output.name}", output.size_bytes, 1, BAUD_MOST // BITS, "bytes")
    _check_sensors(plan.sensors)


def _check_sensors(sensors: Sensors) -> None:
    for number, divider in sensors.dividers:
        name = f"--analogue-{number}"
        _within(f"{name}, upper resistor", divider.upper_ohm, 0, 10_000_000, "ohm")
        _within(f"{name}, lower resistor", divider.lower_ohm, 1, 10_000_000, "ohm")
        _within(f"{name}, most volts", divider.most_v, 0.01, VOLTS_MOST, "V: never the mains or any other high voltage")
    for name, volts, switch in (
        ("--event", "--event-volts", sensors.event),
        ("--pulses", "--pulse-volts", sensors.pulses),
    ):
        if switch is not None:
            _within(name, switch.most_hz, 0.001, 100_000_000, "Hz")
            _within(volts, switch.driven_v, 0.5, VOLTS_MOST, "V")
    if sensors.pressure is not None:
        _within("--pull-up", sensors.pressure.pull_up_ohm, 1, 1_000_000, "ohm")
        _within("--pull-up-volts", sensors.pressure.pull_up_v, 0.5, 20, "V")
        _within("--sensor-wire", sensors.pressure.wire_m, 0, 100, "m")
    _within("--analogue-ms", sensors.analogue_ms, 1, INTERVAL_MS_MOST, "ms")
    _within("--debounce-ms", sensors.debounce_ms, 1, 250, "ms")
    _within("--pulse-ms", sensors.pulse_ms, 1, INTERVAL_MS_MOST, "ms")
    _within("--pressure-ms", sensors.pressure_ms, 1, INTERVAL_MS_MOST, "ms")


def _within(name: str, value: float | None, least: float, most: float, unit: str) -> None:
    if value is not None and not (math.isfinite(value) and least <= value <= most):
        raise UsageError(f"{name}: {value:g} makes no sense", expected=f"{_plain(least)} to {_plain(most)} {unit}")


def _plain(value: float) -> str:
    return f"{value:,.3f}".rstrip("0").removesuffix(".")


@dataclass(frozen=True)
class Line:
    """One thing that was worked out. ``value``, ``limit`` and ``margin`` are in ``unit``.

    ``margin`` is the room to the limit, negative when it is crossed. A line without a limit is a plain fact, and its
    verdict is None. A line about a slip (its name begins with "If") is tight, not failed, past a limit that only
    counts for what lasts. ``note`` says what it means and what to change; ``sources`` whence its figures are.
    """

    key: str
    what: str
    value: float | None
    unit: str
    shown: str
    limit: float | None
    limit_shown: str
    margin: float | None
    margin_shown: str
    verdict: Verdict | None
    note: str
    sources: tuple[str, ...]


@dataclass(frozen=True)
class Section:
    """Lines that belong together."""

    name: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class Budget:
    """Everything that was worked out for a plan."""

    plan: Plan
    sections: tuple[Section, ...]

    @property
    def lines(self) -> tuple[Line, ...]:
        """All lines, in order."""
        return tuple(line for section in self.sections for line in section.lines)

    def with_verdict(self, verdict: Verdict) -> tuple[Line, ...]:
        """The lines with this verdict."""
        return tuple(line for line in self.lines if line.verdict is verdict)

    @property
    def verdict(self) -> Verdict:
        """The worst line's, of those three that say something: a line that cannot be told does not count."""
        for verdict in (Verdict.WILL_NOT_DO, Verdict.TIGHT):
            if self.with_verdict(verdict):
                return verdict
        return Verdict.GOOD
