"""The serial port's divisor, as the firmware chooses it, and how far off its receiver may be.

Formulas of the ATmega328P datasheet (DS40002061A, chapter 20): the tables it prints are these, rounded. Clocks in Hz,
speeds in Bd, deviations in percent.
"""

from __future__ import annotations

from dataclasses import dataclass

BITS = 10
"""Bits on the line for each byte: start, eight of data, stop."""


@dataclass(frozen=True)
class Divisor:
    """What the speed registers hold: ``ubrr``, and ``double`` where each bit gets 8 samples and not 16."""

    clock_hz: int
    ubrr: int
    double: bool

    @property
    def samples(self) -> int:
        """Samples of each bit."""
        return 8 if self.double else 16

    @property
    def speed_bd(self) -> float:
        """The speed at which the chip really reads."""
        return self.clock_hz / (self.samples * (self.ubrr + 1))

    def error_percent(self, baud: int) -> float:
        """How far that lies from ``baud``: above it is positive, as in the datasheet's tables."""
        return 100.0 * (self.speed_bd / baud - 1.0)


def chosen_divisor(clock_hz: int, baud: int) -> Divisor:
    """The firmware's own choice (`ot_port_serial_start`): the divider at double speed, rounded to the nearest.

    An even one is the same speed at single speed, where bits are sampled more often; an odd one is closer than any
    there.
    """
    divider = max(1, (clock_hz // 8 + baud // 2) // baud)
    double = divider % 2 == 1
    return Divisor(clock_hz, (divider if double else divider // 2) - 1, double)


def line_speed_limits_percent(samples: int, data_bits: int = 8) -> tuple[float, float]:
    """The slowest and the fastest line, in percent of the chip's own speed, that is still read without a wrong bit.

    ``(D + 1) S / (S - 1 + D S + S_F)`` and ``(D + 2) S / ((D + 1) S + S_M)``, D the data bits, S the samples, S_F the
    first and S_M the middle one of the three that vote: 8 and 9 of 16, 4 and 5 of 8.
    """
    first = samples // 2
    slowest = (data_bits + 1) * samples / (samples - 1 + data_bits * samples + first)
    fastest = (data_bits + 2) * samples / ((data_bits + 1) * samples + first + 1)
    return 100.0 * slowest, 100.0 * fastest


def line_speed_range_percent(divisor: Divisor, baud: int, board_off: float, line_off: float) -> tuple[float, float]:
    """The slowest and the fastest line, in percent of the chip's own speed, both clocks off by as much (percent)."""
    ratio = 100.0 * baud / divisor.speed_bd
    slowest = ratio * (1.0 - line_off / 100.0) / (1.0 + board_off / 100.0)
    fastest = ratio * (1.0 + line_off / 100.0) / (1.0 - board_off / 100.0)
    return slowest, fastest


def mismatch_limit_percent(samples: int = 0) -> float:
    """How far two clocks may be apart in all: half a bit over the 9.5 bits to the middle of the stop bit.

    With ``samples`` a bit, the start bit's edge is known to one sample only, which takes that much off the half bit.
    """
    return 100.0 * (0.5 - (1.0 / samples if samples else 0.0)) / (BITS - 0.5)
