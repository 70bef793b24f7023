"""What a logger was told to do, as verbs show it."""

from __future__ import annotations

from typing import Any

from offtake.generated.records import JournalHeader, RunStart, Sensor
from offtake.records import flag_names

_NUMBERS = (
    "baud", "gap_bytes", "close_ms", "supply_s", "analogue_ms", "analogue_1_full_mv", "analogue_2_full_mv",
    "event_debounce_ms", "pulse_ms", "pressure_ms",
)  # fmt: skip


def settings_facts(told: JournalHeader | RunStart) -> list[tuple[str, object]]:
    """Names and values for :func:`offtake.cli.show.facts`: speed, what happens when full, the sensors that are on."""
    pairs: list[tuple[str, object]] = [
        ("baud", f"{told.baud:,}"),
        ("when full", told.when_full.name.lower()),
        ("sensors", " and ".join(_sensors(told)) or "none"),
    ]
    return pairs + sensor_facts(told)


def sensor_facts(told: JournalHeader | RunStart) -> list[tuple[str, object]]:
    """The sensors that are on, each with what it was told; 0, and what an older release does not have, is off."""
    scales = enumerate((told.analogue_1_full_mv, told.analogue_2_full_mv), start=1)
    inputs = " and ".join(f"input {number} up to {full_mv:,} mV" for number, full_mv in scales if full_mv)
    words = (
        (Sensor.ANALOGUE, f"every {told.analogue_ms or 0:,} ms: {inputs or 'no input in use'}"),
        (Sensor.EVENT, f"changes that last {told.event_debounce_ms or 0} ms"),
        (Sensor.PULSES, f"every {told.pulse_ms or 0:,} ms"),
        (Sensor.PRESSURE, f"every {told.pressure_ms or 0:,} ms"),
    )
    return [(str(sensor.name).lower(), text) for sensor, text in words if sensor in Sensor(told.sensors or 0)]


def settings_json(told: JournalHeader | RunStart) -> dict[str, Any]:
    """The same for programs, with every number; 0 is off."""
    numbers = {name: getattr(told, name) or 0 for name in _NUMBERS}
    return {"when_full": told.when_full, **numbers, "sensors": _sensors(told)}


def _sensors(told: JournalHeader | RunStart) -> list[str]:
    """Names of the sensors that are on; those of a later release by their bit."""
    names = {int(one).bit_length() - 1: str(one.name).lower() for one in Sensor}
    return list(flag_names(int(told.sensors or 0), names))
