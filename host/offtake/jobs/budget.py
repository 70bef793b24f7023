"""Makes a plan of what was asked and the spec's board, and works it out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from offtake.budget.divisor import BITS
from offtake.budget.model import INTERVAL_MS_MOST, BoardFacts, Budget, Plan, check_plan
from offtake.budget.parts import load_parts
from offtake.budget.sensors import Bus, Divider, Sensors, Switch
from offtake.budget.stalls import Output
from offtake.budget.work import usual_volts, work_out
from offtake.errors import UsageError
from offtake.spec.load import find_spec_folder, load_spec
from offtake.spec.model import Spec

_DECIMAL = re.compile(r"\d{1,9}(\.\d{1,6})?\Z", re.ASCII)
_OUTPUT = re.compile(r"(?P<name>\w{1,40}):(?P<rate>\d{1,6}(\.\d{1,6})?)(:(?P<size>\d{1,6}))?\Z", re.ASCII)


@dataclass(frozen=True)
class LineLoad:
    """What the receiver says, in one of three ways, or in none: then the line never pauses."""

    messages: Sequence[str] = ()
    bytes_per_s: float | None = None
    share_percent: float | None = None


@dataclass(frozen=True)
class Inputs:
    """What hangs on the sensor inputs, as it was typed: None where nothing was said. Units as the names say.

    ``analogue_1`` and ``analogue_2``: UPPER,LOWER,VOLTS, ohms with a k for thousands.
    """

    analogue_1: str | None = None
    analogue_2: str | None = None
    analogue_ms: float | None = None
    event: float | None = None
    event_v: float | None = None
    debounce_ms: float | None = None
    pulses: float | None = None
    pulse_v: float | None = None
    pulse_ms: float | None = None
    pressure: bool = False
    pressure_ms: float | None = None
    pull_up_ohm: float | None = None
    pull_up_v: float | None = None
    sensor_wire_m: float | None = None
    bus_shifter: bool = False


def budget(board: str, baud: int, load: LineLoad, settings: dict[str, Any], inputs: Inputs | None = None) -> Budget:
    """The budget of a board of the spec. ``settings`` are fields of :class:`~offtake.budget.model.Plan` that are given.

    :raises UsageError: an unknown board or message, or a figure that makes no sense.
    :raises InputOutputError: no spec here.
    """
    spec = load_spec(find_spec_folder())
    facts = _board(spec, board)
    volts = settings.get("board_v", usual_volts(facts.name))
    given = {"adapter_v": volts, **settings, "board_v": volts}
    plan = Plan(board=facts, baud=baud, outputs=_outputs(load, baud), sensors=_sensors(inputs or Inputs()), **given)
    check_plan(plan)
    return work_out(replace(plan, sensor_frames=_frames(spec, plan.sensors)))


def _board(spec: Spec, name: str) -> BoardFacts:
    known = {variant.name: (board, variant) for board in spec.boards for variant in board.variants}
    if name not in known:
        raise UsageError(f"no board is named {name!r}", expected=", ".join(known))
    board, variant = known[name]
    return BoardFacts(
        name, variant.clock_hz, variant.desk_baud, board.ring_bytes, board.sensor_bytes + board.sensor_stack_bytes,
        board.sensor_shelf_bytes,
    )  # fmt: skip


def _frames(spec: Spec, sensors: Sensors) -> tuple[Output, ...]:
    """The messages that sensors make, with the sizes of the spec's payloads."""
    records = {record.name: record for record in spec.messages}
    for option, name, interval_ms in (
        ("--analogue-ms", "analogue", sensors.analogue_ms),
        ("--pulse-ms", "pulses", sensors.pulse_ms),
        ("--pressure-ms", "pressure", sensors.pressure_ms),
    ):
        _checked(option, interval_ms, 1000.0 / records[name].at_most_hz, INTERVAL_MS_MOST, "ms")
    return tuple(Output(name, rate, records[name].fixed_size) for name, rate in sensors.per_second.items())


_NEEDS = (
    ("--analogue-ms", "analogue_ms", "--analogue-1 or --analogue-2", ("analogue_1", "analogue_2")),
    ("--event-volts", "event_v", "--event", ("event",)),
    ("--debounce-ms", "debounce_ms", "--event", ("event",)),
    ("--pulse-volts", "pulse_v", "--pulses", ("pulses",)),
    ("--pulse-ms", "pulse_ms", "--pulses", ("pulses",)),
    ("--pressure-ms", "pressure_ms", "--pressure", ("pressure",)),
    ("--pull-up", "pull_up_ohm", "--pressure", ("pressure",)),
    ("--pull-up-volts", "pull_up_v", "--pressure", ("pressure",)),
    ("--sensor-wire", "sensor_wire_m", "--pressure", ("pressure",)),
    ("--bus-shifter", "bus_shifter", "--pressure", ("pressure",)),
)


def _sensors(inputs: Inputs) -> Sensors:
    for option, name, needed, others in _NEEDS:
        unsaid = (None, False)
        if getattr(inputs, name) not in unsaid and all(getattr(inputs, other) in unsaid for other in others):
            raise UsageError(f"{option} is about a sensor that is not connected", expected=f"{needed} beside it")
    bus = {"pull_up_ohm": inputs.pull_up_ohm, "pull_up_v": inputs.pull_up_v, "wire_m": inputs.sensor_wire_m}
    times = {
        "analogue_ms": inputs.analogue_ms, "debounce_ms": inputs.debounce_ms, "pulse_ms": inputs.pulse_ms,
        "pressure_ms": inputs.pressure_ms,
    }  # fmt: skip
    return Sensors(
        analogue_1=_divider("--analogue-1", inputs.analogue_1),
        analogue_2=_divider("--analogue-2", inputs.analogue_2),
        event=Switch(inputs.event, inputs.event_v) if inputs.event is not None else None,
        pulses=Switch(inputs.pulses, inputs.pulse_v) if inputs.pulses is not None else None,
        pressure=Bus(**_given(bus), shifted=inputs.bus_shifter) if inputs.pressure else None,
        **_given(times),
    )


def _given(values: dict[str, float | None]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if value is not None}


def _divider(option: str, text: str | None) -> Divider | None:
    """UPPER,LOWER,VOLTS."""
    if text is None:
        return None
    try:
        upper, lower, volts = text.split(",")
        return Divider(_ohm(upper), _ohm(lower), _number(volts))
    except ValueError:
        raise UsageError(
            f"{option}: {text!r}",
            expected="UPPER,LOWER,VOLTS: ohms above and below the pin, the most volts: 30k,10k,12.6",
        ) from None


def _ohm(text: str) -> float:
    return _number(text.removesuffix("k")) * (1000.0 if text.endswith("k") else 1.0)


def _number(text: str) -> float:
    """A plain decimal number; ValueError for anything else that Python would take."""
    if not _DECIMAL.match(text):
        raise ValueError(text)
    return float(text)


def _outputs(load: LineLoad, baud: int) -> tuple[Output, ...]:
    given = [bool(load.messages), load.bytes_per_s is not None, load.share_percent is not None]
    if sum(given) > 1:
        raise UsageError(
            "the line's load is given twice", expected="one of --messages, --bytes-per-second and --line-share"
        )
    if load.messages:
        return tuple(_output(text) for text in load.messages)
    if load.bytes_per_s is not None:
        _checked("--bytes-per-second", load.bytes_per_s, 1.0, 65_535.0, "bytes")
        return (Output("bytes", 1.0, round(load.bytes_per_s)),)
    if load.share_percent is not None:
        _checked("--line-share", load.share_percent, 0.1, 100.0, "%")
        return (Output("bytes", 1.0, max(1, round(load.share_percent / 100.0 * baud / BITS))),)
    return ()


def _output(text: str) -> Output:
    """NAME:RATE or NAME:RATE:BYTES."""
    known = load_parts().message_bytes
    found = _OUTPUT.match(text)
    if not found:
        raise UsageError(f"--messages: {text!r}", expected="NAME:RATE or NAME:RATE:BYTES, such as RMC:5 or DEPTH:2:40")
    name, size = found["name"], found["size"]
    if size is None and name not in known:
        raise UsageError(
            f"--messages: no length is known of {name!r}", expected=f"NAME:RATE:BYTES, or one of {', '.join(known)}"
        )
    return Output(name, float(found["rate"]), int(size) if size is not None else known[name])


def _checked(name: str, value: float, least: float, most: float, unit: str) -> None:
    if not least <= value <= most:  # nan neither
        raise UsageError(f"{name}: {value:g} makes no sense", expected=f"{least:g} to {most:,.0f} {unit}")
