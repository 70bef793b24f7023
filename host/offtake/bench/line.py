"""What comes over the tapped wire: schedules of bytes at exact times, noise, breaks and wrong levels.

A schedule is three arrays of equal length: the cycle at which each frame's start bit begins (float64), its
ten symbols as a bit pattern, symbol 0 (the start bit) in bit 0 (uint16), and the length of a symbol in
cycles (float64). The chip samples this waveform at its own speed, so a wrong speed needs no rule of its
own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError

Floats = NDArray[np.float64]
Patterns = NDArray[np.uint16]

BITS_PER_BYTE = 10


def _floats(count: int = 0) -> Floats:
    return np.zeros(count, dtype=np.float64)


def _patterns(count: int = 0) -> Patterns:
    return np.zeros(count, dtype=np.uint16)


@dataclass(frozen=True)
class Line:
    """A schedule: ``start`` (cycles, never falling), ``pattern`` and ``bit`` (cycles), plus noise and
    polarity.

    ``noise_*`` is a second waveform of the same form whose ones flip the line while they last. ``inverted``
    turns the whole line over, so that it idles low.
    """

    start: Floats = field(default_factory=_floats)
    pattern: Patterns = field(default_factory=_patterns)
    bit: Floats = field(default_factory=_floats)
    noise_start: Floats = field(default_factory=_floats)
    noise_pattern: Patterns = field(default_factory=_patterns)
    noise_bit: Floats = field(default_factory=_floats)
    inverted: bool = False

    @property
    def end_cycle(self) -> float:
        """Cycle at which the last byte's stop bit ends; 0 for a silent line."""
        return float(self.start[-1] + BITS_PER_BYTE * self.bit[-1]) if len(self.start) else 0.0

    @property
    def payload(self) -> bytes:
        """The eight data bits of every frame, in order (a break is a zero)."""
        return ((self.pattern >> 1) & 0xFF).astype(np.uint8).tobytes()

    def then(self, other: Line) -> Line:
        """Both schedules on one wire, in the order of time.

        :raises UsageError: they differ in polarity.
        """
        if self.inverted != other.inverted:
            raise UsageError("two lines of opposite polarity cannot be joined")
        start = np.concatenate([self.start, other.start])
        order = np.argsort(start, kind="stable")
        noise = np.concatenate([self.noise_start, other.noise_start])
        noise_order = np.argsort(noise, kind="stable")
        return Line(
            start[order],
            np.concatenate([self.pattern, other.pattern])[order],
            np.concatenate([self.bit, other.bit])[order],
            noise[noise_order],
            np.concatenate([self.noise_pattern, other.noise_pattern])[noise_order],
            np.concatenate([self.noise_bit, other.noise_bit])[noise_order],
            self.inverted,
        )

    def with_glitches(self, count: int, *, seed: int, width_cycles: float, until_cycle: float) -> Line:
        """The same line with ``count`` short flips of ``width_cycles`` at seeded moments before
        ``until_cycle``.
        """
        rng = np.random.default_rng(seed)
        at = np.sort(rng.uniform(0.0, until_cycle, count))
        return Line(
            self.start,
            self.pattern,
            self.bit,
            at,
            np.ones(count, dtype=np.uint16),
            np.full(count, float(width_cycles)),
            self.inverted,
        )

    def with_polarity(self, *, inverted: bool) -> Line:
        """The same line, turned over or not."""
        return Line(
            self.start, self.pattern, self.bit, self.noise_start, self.noise_pattern, self.noise_bit, inverted
        )


def patterns(data: bytes | NDArray[np.uint8]) -> Patterns:
    """8N1 symbols of each byte: start 0, eight data bits from the lowest, stop 1."""
    values = np.frombuffer(data, dtype=np.uint8) if isinstance(data, bytes) else data
    return ((values.astype(np.uint16) << 1) | 0x200).astype(np.uint16)


def steady(
    data: bytes, *, baud: float, frequency_hz: int, start_ms: float = 0.0, gap_bits: float = 0.0
) -> Line:
    """``data`` back to back at ``baud`` from ``start_ms`` after cycle 0, with ``gap_bits`` idle after each
    byte.

    :raises UsageError: a speed that is not positive.
    """
    if baud <= 0 or frequency_hz <= 0:
        raise UsageError(f"baud {baud} at {frequency_hz} Hz", expected="both above zero")
    bit = frequency_hz / baud
    first = start_ms * frequency_hz / 1000.0
    start = first + np.arange(len(data), dtype=np.float64) * bit * (BITS_PER_BYTE + gap_bits)
    return Line(start, patterns(data), np.full(len(data), bit))


def bursts(
    chunks: list[bytes],
    *,
    baud: float,
    frequency_hz: int,
    period_ms: float,
    start_ms: float = 0.0,
    jitter_ms: float = 0.0,
    seed: int = 0,
) -> Line:
    """One chunk every ``period_ms``, each back to back at ``baud``: a receiver's epochs.

    A chunk that does not end before the next is due delays it. ``jitter_ms`` adds a seeded uniform delay.
    """
    rng = np.random.default_rng(seed)
    bit = frequency_hz / baud
    starts: list[Floats] = []
    free = 0.0
    for index, chunk in enumerate(chunks):
        due = (start_ms + index * period_ms + rng.uniform(0.0, jitter_ms)) * frequency_hz / 1000.0
        first = max(due, free)
        starts.append(first + np.arange(len(chunk), dtype=np.float64) * bit * BITS_PER_BYTE)
        free = first + len(chunk) * bit * BITS_PER_BYTE
    data = b"".join(chunks)
    return Line(np.concatenate([_floats(), *starts]), patterns(data), np.full(len(data), bit))


def line_break(*, start_cycle: float, length_cycles: float) -> Line:
    """The line held low for ``length_cycles`` from ``start_cycle``; counts as one byte sent."""
    return Line(np.array([float(start_cycle)]), _patterns(1), np.array([length_cycles / BITS_PER_BYTE]))
