"""What the ring holds while the card is busy. Times in ms, speeds in Bd, loads as :class:`Load`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from offtake.budget.divisor import BITS
from offtake.budget.parts import BoardCosts

LONGEST_MS = 60_000.0
"""What holds for a minute holds for any card."""


@dataclass(frozen=True)
class Output:
    """One message that a receiver says ``per_second`` times a second, ``size_bytes`` long."""

    name: str
    per_second: float
    size_bytes: int


@dataclass(frozen=True)
class Load:
    """What the line carries: these outputs, or bytes without a pause where there are none."""

    baud: int
    outputs: Sequence[Output] = ()

    @property
    def most_bytes_per_s(self) -> float:
        """What the line can carry."""
        return self.baud / BITS

    @property
    def asked_bytes_per_s(self) -> float:
        """What the outputs ask for; may be more than the line can carry."""
        return sum(output.per_second * output.size_bytes for output in self.outputs) or self.most_bytes_per_s

    @property
    def bytes_per_s(self) -> float:
        """What comes, on average."""
        return min(self.asked_bytes_per_s, self.most_bytes_per_s)

    @property
    def saturated(self) -> bool:
        """Whether the line never pauses."""
        return self.asked_bytes_per_s >= self.most_bytes_per_s


def arriving_bytes(load: Load, ms: float) -> float:
    """The most bytes that can come within ``ms``, wherever in the receiver's cycle it begins."""
    full = load.most_bytes_per_s * ms / 1000.0
    if load.saturated:
        return full
    bursts = sum((math.floor(out.per_second * ms / 1000.0) + 1) * out.size_bytes for out in load.outputs)
    return min(full, float(bursts))


def block_ms(costs: BoardCosts, clock_hz: int, bytes_per_s: float) -> float:
    """How long the board sends one block to a card that is never busy: the line's interrupts take their share."""
    free_hz = clock_hz - costs.receive_cycles * bytes_per_s
    return 1000.0 * costs.write_cycles / free_hz if free_hz > 0 else math.inf


def lost_bytes(load: Load, stall_ms: float, ring_bytes: int, costs: BoardCosts, clock_hz: int) -> float:
    """The most bytes that a stall costs: they are dropped, counted, and the recording goes on."""
    spare_ms = costs.spare_writes * block_ms(costs, clock_hz, load.most_bytes_per_s)
    return max(0.0, arriving_bytes(load, stall_ms + spare_ms) - (ring_bytes - costs.spare_bytes))


def longest_stall_ms(load: Load, ring_bytes: int, costs: BoardCosts, clock_hz: int) -> float:
    """The longest stall that costs nothing, at most :data:`LONGEST_MS`; found by halving, since loss only grows."""
    if lost_bytes(load, 0.0, ring_bytes, costs, clock_hz) > 0.0:
        return 0.0
    if lost_bytes(load, LONGEST_MS, ring_bytes, costs, clock_hz) == 0.0:
        return LONGEST_MS
    least, most = 0.0, LONGEST_MS
    while most - least > 0.001:
        middle = (least + most) / 2.0
        if lost_bytes(load, middle, ring_bytes, costs, clock_hz) > 0.0:
            most = middle
        else:
            least = middle
    return least
