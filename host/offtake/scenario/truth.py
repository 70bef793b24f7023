"""A run's measurements held against what the scenario's world did."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from offtake.journal.measured import Series
from offtake.scenario.model import AnaloguePlan, Scenario
from offtake.scenario.world import Turn, button_turns, pulse_times_s

Floats = NDArray[np.float64]
Check = tuple[str, bool]

TICK_US = 4.0
EVENT_US = TICK_US + 0.5
"""An event lies in its tick, or beside it by the half microsecond of the capture's own steps."""
PULSES_OFF = 1
"""A pulse that comes while its frame is made may be in it or in the next."""
PRESSURE_PA = 3.0
TEMPERATURE_C = 0.02
"""What the part's resolution and the straight lines between its readings come to."""
NOISE_DEVIATIONS = 5.0
AVERAGED = 16
COUNTS = 1_024
LATE_S = 2.5
"""What happened so long before the power went is in the log: at most a second old, and a stall or two."""


def check_sensors(scenario: Scenario, measured: Sequence[Series], power_s: float, *, chip: bool) -> tuple[Check, ...]:
    """What has to hold, in words with figures, and whether it does, for each thing connected in the scenario.

    The event's ticks place the log's clock on the scenario's; without a button tick 0 is taken for power-on.

    :param measured: the run's measurements. :param power_s: when the power went.
    :param chip: whether the chip recorded; the core on a computer has neither voltages nor a pressure part.
    """
    plan = scenario.sensors
    if plan is None:
        return ()
    by_name = {series.name: series for series in measured}
    checks: list[Check] = []
    origin_us = 0.0
    if plan.button is not None:
        turns = button_turns(plan.button)
        check, origin_us = _events(by_name.get("event"), turns, power_s, plan.settings.event_debounce_ms or 0)
        checks.append(check)
    if plan.pulses is not None:
        checks.append(_pulses(by_name.get("pulses"), pulse_times_s(scenario), origin_us, power_s))
    if chip:
        for column, input_plan, full_mv in (
            ("input_1_mv", plan.analogue_1, plan.settings.full_scale_1_mv),
            ("input_2_mv", plan.analogue_2, plan.settings.full_scale_2_mv),
        ):
            if input_plan is not None and full_mv is not None:
                checks.append(_voltage(by_name.get("analogue"), column, input_plan, full_mv, origin_us))
        if plan.air is not None:
            checks.append(_air(by_name.get("pressure"), plan.air.points, origin_us))
    return tuple(checks)


def _values(series: Series, name: str) -> Floats:
    column = series.column(name)
    return np.full(len(series.tick_us), np.nan) if column is None else column.values.astype(np.float64)


def _at_s(series: Series, origin_us: float) -> Floats:
    return (series.tick_us.astype(np.float64) + origin_us) / 1e6


def _events(series: Series | None, turns: list[Turn], power_s: float, debounce_ms: int) -> tuple[Check, float]:
    """The check, and by how many microseconds the scenario's clock is ahead of the log's."""
    due = sum(turn.at_s + debounce_ms / 1000.0 + LATE_S < power_s for turn in turns)
    level = None if series is None else series.column("level")
    if series is None or level is None:
        return (f"the button's {due} turns are events: no frames", due == 0), 0.0
    seen = len(series.tick_us)
    if not due <= seen <= len(turns):
        return (f"the button's {due} turns are events: there are {seen}", False), 0.0
    right = level.texts() == ["high" if turn.high else "low" for turn in turns[:seen]]
    ahead = np.array([turn.at_s * 1e6 for turn in turns[:seen]]) - series.tick_us
    spread = float(np.ptp(ahead))
    text = f"the button's {seen} turns are {seen} events, bounces none: within {spread:.1f} us"
    return (text, right and spread <= 2 * EVENT_US), float(np.mean(ahead))


def _pulses(series: Series | None, times_s: Floats, origin_us: float, power_s: float) -> Check:
    if series is None or not len(series.tick_us):
        return "every pulse is counted: no frames", False
    counts, at_s = _values(series, "count"), _at_s(series, origin_us)
    come = np.searchsorted(times_s, at_s, side="right")
    off = float(np.max(np.abs(counts - come)))
    fresh = at_s[-1] + LATE_S > power_s
    return f"every pulse is counted: {int(counts[-1]):,} of {int(come[-1]):,}", bool(fresh and off <= PULSES_OFF)


def _voltage(series: Series | None, name: str, plan: AnaloguePlan, full_mv: int, origin_us: float) -> Check:
    what = "input 1" if name == "input_1_mv" else "input 2"
    if series is None or not len(series.tick_us):
        return f"analogue {what} is as set: no frames", False
    at_s, mv = zip(*plan.points, strict=True)
    off = _values(series, name) - np.interp(_at_s(series, origin_us), at_s, mv)
    count = full_mv / COUNTS
    # A reading takes some milliseconds, in which the voltage may move.
    steepest = max((abs(b - a) / (t - s) for s, t, a, b in zip(at_s, at_s[1:], mv, mv[1:], strict=False)), default=0.0)
    allowed = count + NOISE_DEVIATIONS * plan.noise_mv / AVERAGED**0.5 + steepest * 0.01
    worst = float(np.max(np.abs(off)))
    return f"analogue {what} is as set, within {worst:.0f} mV (a count is {count:.1f} mV)", worst <= allowed


def _air(series: Series | None, points: Sequence[tuple[float, float, float]], origin_us: float) -> Check:
    if series is None or not len(series.tick_us):
        return "pressure and temperature are as set: no frames", False
    at_s = _at_s(series, origin_us)
    times, pa, degc = zip(*points, strict=True)
    pressure = float(np.max(np.abs(_values(series, "pressure_pa") - np.interp(at_s, times, pa))))
    temperature = float(np.max(np.abs(_values(series, "temperature_c") - np.interp(at_s, times, degc))))
    text = f"pressure and temperature are as set, within {pressure:.1f} Pa, {temperature:.3f} degC"
    return text, pressure <= PRESSURE_PA and temperature <= TEMPERATURE_C
