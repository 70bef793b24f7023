"""The pressure-temperature part: raw readings and the part's own constants to pascals and degrees.

The formulas are the integer ones that its maker publishes: datasheet BST-BMP280-DS001 (read: revision 1.23, page 22),
temperature in 32 bits, pressure in 64. They are followed operation by operation, wraps and truncations of the C
included, so that the results are those of any other program that follows them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from offtake.errors import UsageError
from offtake.generated.records import PressureConstants

Integers = NDArray[np.int64]

READING_BITS = 20
PRESSURE_STEPS_PER_PA = 256
TEMPERATURE_STEPS_PER_DEGREE = 100
# The part's output where a measurement is switched off (same datasheet, table 24; from memory).
_SKIPPED = 0x80000


@dataclass(frozen=True, eq=False)
class Compensated:
    """What readings mean, shape (n,): ``pressure_256`` in steps of 1/256 Pa, ``temperature_100`` in steps of 0.01
    degrees Celsius, ``fine`` the fine temperature that the pressure needs. Where ``valid`` is False the numbers mean
    nothing: a reading is not one of 20 bits, its measurement was skipped, or the constants give no pressure."""

    pressure_256: Integers
    temperature_100: Integers
    fine: Integers
    valid: NDArray[np.bool_]

    @property
    def pressure_pa(self) -> NDArray[np.float64]:
        """Pressure in pascals."""
        return self.pressure_256 / PRESSURE_STEPS_PER_PA

    @property
    def temperature_c(self) -> NDArray[np.float64]:
        """Temperature in degrees Celsius."""
        return self.temperature_100 / TEMPERATURE_STEPS_PER_DEGREE


def compensate(constants: PressureConstants, temperature_raw: ArrayLike, pressure_raw: ArrayLike) -> Compensated:
    """Pressure and temperature of readings, both of shape (n,).

    :raises UsageError: they differ in shape, or a constant is none of the part's 16 bits.
    """
    constants.encode()
    raw_t = np.asarray(temperature_raw, dtype=np.int64).reshape(-1)
    raw_p = np.asarray(pressure_raw, dtype=np.int64).reshape(-1)
    if raw_t.shape != raw_p.shape:
        expected = "a temperature for each pressure"
        raise UsageError(f"{len(raw_t)} temperatures and {len(raw_p)} pressures", expected=expected)
    valid = np.ones(len(raw_t), dtype=np.bool_)
    for raw in (raw_t, raw_p):
        valid &= (raw >= 0) & (raw < 1 << READING_BITS) & (raw != _SKIPPED)
    fine, temperature = _temperature(constants, np.where(valid, raw_t, 0))
    pressure, possible = _pressure(constants, fine, np.where(valid, raw_p, 0))
    return Compensated(pressure, temperature, fine, valid & possible)


def _temperature(constants: PressureConstants, raw: Integers) -> tuple[Integers, Integers]:
    """Fine temperature, and temperature in hundredths of a degree."""
    t1, t2, t3 = constants.dig_t1, constants.dig_t2, constants.dig_t3
    slope = _int32(((raw >> 3) - (t1 << 1)) * t2) >> 11
    off = (raw >> 4) - t1
    bend = _int32((_int32(off * off) >> 12) * t3) >> 14
    fine = _int32(slope + bend)
    return fine, _int32(fine * 5 + 128) >> 8


def _pressure(constants: PressureConstants, fine: Integers, raw: Integers) -> tuple[Integers, NDArray[np.bool_]]:
    """Pressure in steps of 1/256 Pa, and where there is one."""
    warm = fine - 128_000
    offset = warm * warm * constants.dig_p6
    offset = offset + ((warm * constants.dig_p5) << 17)
    offset = offset + (constants.dig_p4 << 35)
    gain = ((warm * warm * constants.dig_p3) >> 8) + ((warm * constants.dig_p2) << 12)
    gain = (((1 << 47) + gain) * constants.dig_p1) >> 33
    possible = gain != 0
    steps = _divide((((1_048_576 - raw) << 31) - offset) * 3125, np.where(possible, gain, 1))
    square = (constants.dig_p9 * (steps >> 13) * (steps >> 13)) >> 25
    linear = (constants.dig_p8 * steps) >> 19
    steps = ((steps + square + linear) >> 8) + (constants.dig_p7 << 4)
    # The C gives it as an unsigned number of 32 bits.
    return steps & 0xFFFFFFFF, possible


def _int32(value: Integers) -> Integers:
    """The number that 32 bits with a sign hold of ``value``."""
    return ((value + (1 << 31)) & 0xFFFFFFFF) - (1 << 31)


def _divide(value: Integers, by: Integers) -> Integers:
    """Quotients towards zero, as in C; NumPy's own go down."""
    down = value // by
    quotient: Integers = down + ((down < 0) & (down * by != value))
    return quotient
