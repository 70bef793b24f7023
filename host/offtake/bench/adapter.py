"""The receiving half of a USB-serial adapter: what it makes of a wire at the speed it is set to.

It samples at sixteen times the baud on a clock of its own, as such chips do (from memory): a byte begins at the first
sample that is low after a high one, if the eighth is still low; a bit is the majority of samples 8, 9 and 10 of its
sixteen; a low stop bit is a framing error, and then the line has to go high before the next byte can begin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_OVERSAMPLING = 16
_VOTES = (7, 8, 9)


@dataclass(frozen=True)
class Wire:
    """A wire's level over ``seconds``, then the same again: ``high_first`` until the first of ``edges_s`` (float64,
    rising, from 0 on), the other level until the second, and so on. An odd number of edges would turn the repetition
    over."""

    edges_s: NDArray[np.float64]
    high_first: bool
    seconds: float

    def levels(self, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """The level at each of ``times_s``, seconds from the start of the first round."""
        passed = np.searchsorted(self.edges_s, np.mod(times_s, self.seconds), side="right")
        odd: NDArray[np.bool_] = (passed & 1).astype(bool)
        return odd ^ self.high_first

    def falls(self, from_s: float, until_s: float) -> NDArray[np.float64]:
        """When the level falls, from ``from_s`` to before ``until_s``."""
        falling = self.edges_s[0 if self.high_first else 1 :: 2]
        first, last = int(from_s // self.seconds), int(until_s // self.seconds)
        rounds = np.arange(first, last + 1) * self.seconds
        found = (rounds[:, np.newaxis] + falling).ravel()
        return found[np.searchsorted(found, from_s) : np.searchsorted(found, until_s)]


@dataclass
class UartReceiver:
    """A receiver at one setting, ``data_bits`` and ``parity`` (N, E or O); :meth:`take` goes on where it stopped."""

    wire: Wire
    baud: float
    at_s: float
    data_bits: int = 8
    parity: str = "N"

    def take(self, until_s: float) -> tuple[bytes, NDArray[np.bool_], NDArray[np.float64]]:
        """The bytes whose stop bit came before ``until_s``: values, whether each is faulty (framing or parity), and
        when each began."""
        tick_s = 1.0 / (self.baud * _OVERSAMPLING)
        bits = self.data_bits + (self.parity != "N") + 2
        # A fall is noticed at the next sample.
        starts = np.ceil(self.wire.falls(self.at_s, until_s) / tick_s)
        starts = starts[(starts + bits * _OVERSAMPLING) * tick_s < until_s]
        votes = np.arange(bits)[:, np.newaxis] * _OVERSAMPLING + np.array(_VOTES)
        seen = self.wire.levels((starts[:, np.newaxis, np.newaxis] + votes) * tick_s).sum(axis=2) >= 2
        begins = ~seen[:, 0]
        busy = np.where(begins, (bits - 1) * _OVERSAMPLING + _VOTES[-1], _VOTES[1])
        following = np.maximum(np.searchsorted(starts, starts + busy), np.arange(1, len(starts) + 1)).tolist()
        chosen, at = [], 0
        while at < len(following):
            if begins[at]:
                chosen.append(at)
            at = following[at]
        if len(starts):
            last = chosen[-1] if chosen else len(starts) - 1
            self.at_s = float((starts[last] + busy[last]) * tick_s)
        taken = seen[np.array(chosen, dtype=np.int64)]
        data = taken[:, 1 : 1 + self.data_bits]
        wrong = ~taken[:, -1]
        if self.parity != "N":
            wrong |= (taken[:, 1:-1].sum(axis=1) % 2 == 1) != (self.parity == "O")
        values = (data * (1 << np.arange(self.data_bits))).sum(axis=1).astype(np.uint8)
        began: NDArray[np.float64] = starts[np.array(chosen, dtype=np.int64)] * tick_s
        return values.tobytes(), wrong, began
