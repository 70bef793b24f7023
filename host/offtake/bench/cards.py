"""How a simulated card behaves: its kind, its manners, its busy times and its scripted failures."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError

Milliseconds = NDArray[np.float64]
BusyTimes = Callable[[np.random.Generator, int], Milliseconds]

BUSY_DRAWS = 65_536
"""Busy times drawn for one card; a longer run uses them again from the start."""


def uniform(low_ms: float, high_ms: float) -> BusyTimes:
    """Busy times spread evenly between two limits."""
    return lambda rng, count: rng.uniform(low_ms, high_ms, count)


def constant(ms: float) -> BusyTimes:
    """Always the same busy time."""
    return lambda _rng, count: np.full(count, ms)


def stalling(base: BusyTimes, *, stall_ms: float, every: int) -> BusyTimes:
    """``base``, with one stall of ``stall_ms`` in every ``every`` blocks, at the end of each group."""

    def draw(rng: np.random.Generator, count: int) -> Milliseconds:
        times = base(rng, count).copy()
        times[every - 1 :: every] = stall_ms
        return times

    return draw


def heavy_tailed(typical_ms: float, *, worst_ms: float) -> BusyTimes:
    """Mostly near ``typical_ms``, seldom much longer (a Pareto tail), never above ``worst_ms``."""
    return lambda rng, count: np.minimum(typical_ms * (0.5 + rng.pareto(1.5, count)), worst_ms)


def scripted(*times_ms: float) -> BusyTimes:
    """Exactly these, over and over."""
    if not times_ms:
        raise UsageError("no busy times", expected="at least one")
    return lambda _rng, count: np.resize(np.array(times_ms, dtype=np.float64), count)


@dataclass(frozen=True)
class Card:
    """A card's kind and manners. Times are milliseconds; ordinals count from 0 since the bench was made.

    ``write_errors`` and ``crc_errors`` are refused data blocks (counting every data block that reaches the
    card, refused ones too), ``silent_writes`` get no answer at all, ``read_errors`` answer with an error
    token, ``read_crc_errors`` with a wrong
    CRC (both counting blocks read). ``read`` draws the time from a read's command to its data; without it
    that is always ``read_latency_ms``. ``keeps_transfer`` means that a block half sent when the card is
    deselected is still expected to go on, as after a reset of the chip alone. Protocol: SD Physical Layer
    Simplified Specification 4.10, chapter 7; the awkward manners are those reported by maintainers of SD
    drivers.
    """

    high_capacity: bool = True
    version: int = 2
    busy: BusyTimes = field(default_factory=lambda: uniform(1.0, 3.0))
    stop_busy_ms: float = 0.5
    read_latency_ms: float = 0.2
    read: BusyTimes | None = None
    power_up_ms: float = 1.0
    acmd41_ms: float = 20.0
    ncr_bytes: int = 1
    accept_token: int = 0xE5
    cmd0_ignored: int = 0
    garbage_bytes: int = 0
    miso_low_before_init: bool = False
    miso_floats: bool = False
    keeps_transfer: bool = True
    needs_74_clocks: bool = True
    single_only: bool = False
    write_errors: tuple[int, ...] = ()
    crc_errors: tuple[int, ...] = ()
    read_errors: tuple[int, ...] = ()
    read_crc_errors: tuple[int, ...] = ()
    silent_writes: tuple[int, ...] = ()
    seed: int = 1

    def busy_cycles(self, frequency_hz: int) -> NDArray[np.uint64]:
        """The card's seeded busy times in CPU cycles, shape ``(BUSY_DRAWS,)``."""
        return self._drawn(self.busy, self.seed, frequency_hz)

    def read_cycles(self, frequency_hz: int) -> NDArray[np.uint64]:
        """The same for the times from a read's command to its data; empty where they are all ``read_latency_ms``."""
        # Of another seed than the busy times, which they would go along with.
        return self._drawn(self.read, self.seed + 1, frequency_hz) if self.read else np.zeros(0, np.uint64)

    @staticmethod
    def _drawn(times: BusyTimes, seed: int, frequency_hz: int) -> NDArray[np.uint64]:
        ms = times(np.random.default_rng(seed), BUSY_DRAWS)
        return np.maximum(ms * frequency_hz / 1000.0, 0.0).astype(np.uint64)


WELL_MANNERED = Card()
AWKWARD = Card(
    busy=heavy_tailed(2.0, worst_ms=100.0),
    power_up_ms=5.0,
    acmd41_ms=400.0,
    ncr_bytes=8,
    cmd0_ignored=1,
    garbage_bytes=3,
    miso_low_before_init=True,
    read_latency_ms=2.0,
)
"""Everything that maintainers of SD drivers report at once, within the specification's limits of time."""
