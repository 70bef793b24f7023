"""A pressure-temperature part's published compensation, and its inverse: what the part reads where the truth is known.

The floating-point form of the formulas (BMP280 datasheet BST-BMP280-DS001, "Computation formulae for 32 bit systems",
double precision; from memory), so that it stands against the integer form by which readings are turned into values.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import astuple, dataclass

from offtake.errors import UsageError

RAW_MAX = (1 << 20) - 1
_STORED = "<HhhHhhhhhhhh"


@dataclass(frozen=True)
class Constants:
    """The trimming constants; the defaults are the datasheet's worked example (from memory)."""

    t1: int = 27_504
    t2: int = 26_435
    t3: int = -1_000
    p1: int = 36_477
    p2: int = -10_685
    p3: int = 3_024
    p4: int = 2_855
    p5: int = 140
    p6: int = -7
    p7: int = 15_500
    p8: int = -14_600
    p9: int = 6_000

    @property
    def stored(self) -> bytes:
        """The 24 bytes as the part's registers 0x88 to 0x9F hold them."""
        return struct.pack(_STORED, *astuple(self))


def fine_temperature(constants: Constants, raw: float) -> float:
    """``t_fine`` of a raw temperature: degrees Celsius times 5,120."""
    c = constants
    first = (raw / 16_384.0 - c.t1 / 1_024.0) * c.t2
    second = (raw / 131_072.0 - c.t1 / 8_192.0) ** 2 * c.t3
    return first + second


def true_temperature_degc(constants: Constants, raw: float) -> float:
    """Degrees Celsius of a raw temperature."""
    return fine_temperature(constants, raw) / 5_120.0


def true_pressure_pa(constants: Constants, raw: float, fine: float) -> float:
    """Pascals of a raw pressure at ``fine`` temperature; 0 where the part's constants give none."""
    c = constants
    one = fine / 2.0 - 64_000.0
    two = one * one * c.p6 / 32_768.0 + one * c.p5 * 2.0
    two = two / 4.0 + c.p4 * 65_536.0
    one = (c.p3 * one * one / 524_288.0 + c.p2 * one) / 524_288.0
    one = (1.0 + one / 32_768.0) * c.p1
    if one == 0.0:
        return 0.0
    pressure = (1_048_576.0 - raw - two / 4_096.0) * 6_250.0 / one
    return pressure + (c.p9 * pressure * pressure / 2_147_483_648.0 + pressure * c.p8 / 32_768.0 + c.p7) / 16.0


def raw_readings(constants: Constants, pressure_pa: float, temperature_degc: float) -> tuple[int, int]:
    """What the part reads (pressure, temperature; 20 bits each) where pressure and temperature are as given.

    :raises UsageError: outside what the part can read.
    """
    temperature = _inverse(lambda raw: true_temperature_degc(constants, raw), temperature_degc, "degC")
    fine = fine_temperature(constants, temperature)
    return _inverse(lambda raw: true_pressure_pa(constants, raw, fine), pressure_pa, "Pa"), temperature


def _inverse(value: Callable[[float], float], wanted: float, unit: str) -> int:
    """The raw reading whose value is nearest; ``value`` has to rise or fall throughout."""
    low, high = 0, RAW_MAX
    ends = value(low), value(high)
    if not min(ends) <= wanted <= max(ends):
        expected = f"{min(ends):.1f} to {max(ends):.1f}"
        raise UsageError(f"the part cannot read {wanted:g} {unit}", expected=expected)
    rising = ends[0] < ends[1]
    while high - low > 1:
        middle = (low + high) // 2
        if (value(middle) < wanted) == rising:
            low = middle
        else:
            high = middle
    return min((low, high), key=lambda raw: abs(value(raw) - wanted))
