"""Ohm's law at the wires: currents through resistors, levels behind them, edges. No figure of any part."""

from __future__ import annotations

RISE_10_TO_90 = 2.197
"""Time constants from 10 to 90 % of a step: ln 9."""
RISE_30_TO_70 = 0.8473
"""Time constants from 30 to 70 % of a step: ln(7/3), as the I2C bus counts its rise (UM10204 rev. 6, section 7.1)."""


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


def divider_clamp_ma(
    source_v: float, supply_v: float, over_supply_v: float, upper_ohm: float, lower_ohm: float
) -> float:
    """The current that a divider pushes through an input's clamp; what its lower resistor takes does not go there."""
    highest_v = supply_v + over_supply_v
    if source_v <= highest_v:
        return 0.0
    if upper_ohm == 0.0:
        return float("inf")
    return max(0.0, 1000.0 * ((source_v - highest_v) / upper_ohm - highest_v / lower_ohm))


def bus_rise_ns(ohm: float, picofarad: float) -> float:
    """From 30 to 70 % of an edge that a pull-up makes."""
    return RISE_30_TO_70 * ohm * picofarad / 1000.0
