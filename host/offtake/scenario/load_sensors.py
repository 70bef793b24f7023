"""Reads a scenario's sensors: which are on, and what they meet."""

from __future__ import annotations

from offtake.errors import SpecError, UsageError
from offtake.jobs.header import SensorSettings
from offtake.scenario.model import AirPlan, AnaloguePlan, ButtonPlan, PulsePlan, SensorsPlan
from offtake.scenario.values import number, points
from offtake.spec.table import Table

_TIME = (0.0, 3_600.0)
_SETTINGS = (
    "analogue_ms",
    "full_scale_1_mv",
    "full_scale_2_mv",
    "event_debounce_ms",
    "pulse_ms",
    "pressure_ms",
)
_NEEDS = {
    "analogue_1": "full_scale_1_mv",
    "analogue_2": "full_scale_2_mv",
    "button": "event_debounce_ms",
    "pulses": "pulse_ms",
    "air": "pressure_ms",
}
"""What is connected, and the setting without which nobody would look at it."""


def load_sensors(table: Table) -> SensorsPlan:
    """The table ``sensors`` of a scenario.

    :raises SpecError: anything in it is not as it should be, a setting that the logger cannot keep included.
    """
    settings = SensorSettings(**{name: table.optional_integer(name) for name in _SETTINGS})
    try:
        settings.require_sound()
    except UsageError as error:
        raise SpecError(error.what, where=table.where, expected=error.expected) from error
    for part, setting in _NEEDS.items():
        if table.has(part) and getattr(settings, setting) is None:
            raise SpecError(f"{part} without {setting}", where=table.at(part), expected="both, or neither")
    plan = SensorsPlan(
        settings=settings,
        analogue_1=_analogue(table.table("analogue_1")) if table.has("analogue_1") else None,
        analogue_2=_analogue(table.table("analogue_2")) if table.has("analogue_2") else None,
        button=_button(table.table("button")) if table.has("button") else None,
        pulses=_pulses(table.table("pulses")) if table.has("pulses") else None,
        air=_air(table.table("air")) if table.has("air") else None,
    )
    table.end()
    return plan


def _analogue(table: Table) -> AnaloguePlan:
    given = points(table, "points", "[s, mV]", (_TIME, (0.0, 65_535.0)))
    plan = AnaloguePlan(tuple((at, mv) for at, mv in given), number(table, "noise_mv", 0.0, 10_000.0))
    table.end()
    return plan


def _button(table: Table) -> ButtonPlan:
    where = table.at("presses")
    given = points(table, "presses", "[s, length in s]", (_TIME, (0.001, 3_600.0)))
    plan = ButtonPlan(
        tuple((at, length) for at, length in given),
        table.integer("bounces", 0, 20),
        number(table, "bounce_ms", 0.0, 1_000.0),
    )
    ends = [at + length for at, length in plan.presses]
    if any(end >= later for end, (later, _) in zip(ends[:-1], plan.presses[1:], strict=True)):
        raise SpecError("a press begins before the last one has ended", where=where, expected="one after the other")
    table.end()
    return plan


def _pulses(table: Table) -> PulsePlan:
    given = points(table, "rates", "[s, pulses a second]", (_TIME, (0.0, 100_000.0)))
    plan = PulsePlan(tuple((at, rate) for at, rate in given), number(table, "high_ms", 0.001, 10_000.0))
    table.end()
    return plan


def _air(table: Table) -> AirPlan:
    # What the part can measure (BMP280 datasheet BST-BMP280-DS001, "Specification").
    given = points(table, "points", "[s, Pa, degC]", (_TIME, (30_000.0, 110_000.0), (-40.0, 85.0)))
    table.end()
    return AirPlan(tuple((at, pa, degc) for at, pa, degc in given))
