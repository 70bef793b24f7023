"""How long a card lasts: until it is full, and until its flash is worn. Sizes in bytes, rates a second."""

from __future__ import annotations

import math

from offtake.budget.stalls import Load
from offtake.generated.records import (
    BLOCK_CHECK_SIZE,
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    FRAME_CHECK_SIZE,
    FRAME_HEAD_SIZE,
)

JOURNAL_BYTES_MAX = 2**32 - BLOCK_SIZE
"""The longest journal in whole blocks: a file on FAT32 ends below 4 GiB."""
PREPARED_BYTES = 256 * 2**20
"""The journal that `offtake prepare` makes when nobody says how long."""
HIGH_CAPACITY_BYTES_MAX = 32 * 2**30
"""Above this a card is of the extended kind, which may be busy for longer."""

_HOUR_S = 3600.0
_YEAR_DAYS = 365.25
# A frame's offset from its block's open tick takes one byte for the first, at most three for one of the next 8 seconds.
_FIRST_TICK_SIZE = 1
_LATER_TICK_SIZE = 3
_FULL_BLOCK = (
    BLOCK_SIZE - BLOCK_HEADER_SIZE - BLOCK_CHECK_SIZE - FRAME_HEAD_SIZE - _FIRST_TICK_SIZE - FRAME_CHECK_SIZE
)


def blocks_per_s(load: Load) -> float:
    """Blocks that go to the card; a block closes when it is full, or when its oldest byte is a second old."""
    rate = load.bytes_per_s
    if load.saturated:
        return rate / _FULL_BLOCK
    bursts = max(output.per_second for output in load.outputs)
    later_frame = FRAME_HEAD_SIZE + _LATER_TICK_SIZE + FRAME_CHECK_SIZE
    full = (rate + bursts * later_frame) / _FULL_BLOCK
    closed_early = bursts * math.ceil(rate / bursts / _FULL_BLOCK) if bursts <= 1.0 else 1.0
    return max(full, closed_early)


def card_bytes_per_s(load: Load) -> float:
    """Bytes that go to the card."""
    return blocks_per_s(load) * BLOCK_SIZE


def hours_to_fill(size_bytes: float, bytes_per_s: float) -> float:
    """Hours until ``size_bytes`` are full."""
    return size_bytes / bytes_per_s / _HOUR_S


def flash_years(
    card_bytes: float, bytes_per_s: float, hours_a_day: float, cycles: float, amplification: float
) -> float:
    """Years until each cell was erased ``cycles`` times, each byte given being written ``amplification`` times.

    The journal is written once through, in order, so each filling of the card costs one erasure of it.
    """
    written_a_day = bytes_per_s * amplification * hours_a_day * _HOUR_S
    return cycles * card_bytes / written_a_day / _YEAR_DAYS
