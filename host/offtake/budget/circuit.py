"""Ohm's law at the tap: currents through the series resistor, levels behind it, edges. No figure of any part."""

from __future__ import annotations

RISE_10_TO_90 = 2.197
"""Time constants from 10 to 90 % of a step: ln 9."""


def clamp_current_ma(source_v: float, supply_v: float, over_supply_v: float, series_ohm: float) -> float:
    """The current that a source above an input's supply pushes through the input's clamp; a dead side has 0 V."""
    above_v = max(0.0, source_v - supply_v - over_supply_v)
    if above_v == 0.0:
        return 0.0
    return 1000.0 * above_v / series_ohm if series_ohm > 0.0 else float("inf")


def current_ma(volts: float, ohm: float) -> float:
    """Through ``ohm`` at ``volts``."""
    return 1000.0 * volts / ohm


def power_mw(volts: float, ohm: float) -> float:
    """Turned to heat in ``ohm`` at ``volts``."""
    return 1000.0 * volts * volts / ohm


def series_ohm_for(source_v: float, over_supply_v: float, limit_ma: float) -> float:
    """The least resistor that keeps an unpowered input's clamp current within ``limit_ma``."""
    return 1000.0 * max(0.0, source_v - over_supply_v) / limit_ma


def rise_time_ns(ohm: float, picofarad: float) -> float:
    """From 10 to 90 % of an edge behind a resistor."""
    return RISE_10_TO_90 * ohm * picofarad / 1000.0


def charging_current_ma(picofarad: float, volts: float, baud: int) -> float:
    """The mean current that loading a capacitance takes on a line that changes at every bit: one charge in two bits."""
    return picofarad * 1e-12 * volts * baud / 2.0 * 1000.0


def between_v(left_v: float, left_ohm: float, right_v: float, right_ohm: float) -> float:
    """The voltage where two resistors meet whose other ends are held at ``left_v`` and ``right_v``."""
    return (left_v * right_ohm + right_v * left_ohm) / (left_ohm + right_ohm)


def series_ohm_against(held_v: float, held_ohm: float, low_v: float, reach_v: float) -> float:
    """The largest resistor through which a line at ``low_v`` still pulls a pin, held at ``held_v``, to ``reach_v``."""
    return held_ohm * max(0.0, reach_v - low_v) / (held_v - reach_v)
