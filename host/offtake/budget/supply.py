"""The supply: which clock it bears, what everything takes, how long a battery lasts. V, MHz, mA, hours."""

from __future__ import annotations

from collections.abc import Sequence

Points = Sequence[tuple[float, float]]

SAFE_CLOCK_MHZ: Points = ((1.8, 4.0), (2.7, 10.0), (4.5, 20.0))
"""The chip's safe clock at some supply voltages, linear between (datasheet 8271D, p. 322)."""


def interpolated(points: Points, x: float) -> float:
    """On straight lines through ``points``, in order of x; beyond the ends the nearest line goes on."""
    index = 0
    while index < len(points) - 2 and x > points[index + 1][0]:
        index += 1
    (x0, y0), (x1, y1) = points[index], points[index + 1]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


def safe_clock_mhz(supply_v: float) -> float:
    """The fastest clock that ``supply_v`` bears; 0 below 1.8 V, never above 20."""
    if supply_v < SAFE_CLOCK_MHZ[0][0]:
        return 0.0
    return min(SAFE_CLOCK_MHZ[-1][1], interpolated(SAFE_CLOCK_MHZ, supply_v))


def least_supply_v(clock_mhz: float) -> float:
    """The lowest supply that bears ``clock_mhz``, which is at most 20."""
    return max(SAFE_CLOCK_MHZ[0][0], interpolated([(mhz, volts) for volts, mhz in SAFE_CLOCK_MHZ], clock_mhz))


def chip_current_ma(points: Points, supply_v: float, clock_mhz: float) -> float:
    """What the chip takes, awake all the time; ``points`` are mA for each MHz at some supply voltages."""
    return max(0.0, interpolated(points, supply_v)) * clock_mhz


def card_current_ma(idle_ma: float, writing_ma: float, writing_share: float) -> float:
    """What the card takes on average, writing for ``writing_share`` of the time."""
    share = min(1.0, writing_share)
    return idle_ma * (1.0 - share) + writing_ma * share


def battery_hours(battery_mah: float, usable: float, mean_ma: float) -> float:
    """How long a battery lasts, of which ``usable`` can be used."""
    return battery_mah * usable / mean_ma
