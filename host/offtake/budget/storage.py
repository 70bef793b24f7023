"""How long a card lasts: until it is full, and until its flash is worn. Sizes in bytes, rates a second."""

from __future__ import annotations

import math
from collections.abc import Sequence

from offtake.budget.stalls import Load, Output
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
PREPARED_CLOSE_MS = 700
"""The age at which a block is closed that is not full, when nobody says otherwise."""
SHELF_HEAD_BYTES = 5
"""Tick and code of a frame that waits for its block (firmware/core/ot_framer.h)."""
CROWDED_SHARE = 0.5
"""A block is closed, full or not, when more than this of the sensors' shelf is taken (ot_shelf_is_crowded)."""
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


_LATER_FRAME = FRAME_HEAD_SIZE + _LATER_TICK_SIZE + FRAME_CHECK_SIZE
"""What a frame takes beside its payload."""


def frame_bytes_per_s(frames: Sequence[Output]) -> float:
    """What sensors' messages take in blocks; the sizes of ``frames`` are those of payloads."""
    return sum(frame.per_second * (frame.size_bytes + _LATER_FRAME) for frame in frames)


def shelf_bytes_per_s(frames: Sequence[Output]) -> float:
    """What they take of the shelf where they wait for a block."""
    return sum(frame.per_second * (frame.size_bytes + SHELF_HEAD_BYTES) for frame in frames)


def frames_kept_ms(frames: Sequence[Output], shelf_bytes: int) -> float:
    """How long the shelf holds all frames that come, wherever in their intervals that begins: one of each at once."""
    sizes = [frame.size_bytes + SHELF_HEAD_BYTES for frame in frames]
    taken, came = 0, [0] * len(sizes)
    while True:
        due_s = [count / frame.per_second for count, frame in zip(came, frames, strict=True)]
        first = min(range(len(sizes)), key=due_s.__getitem__)
        taken += sizes[first]
        if taken > shelf_bytes:
            return 1000.0 * due_s[first]
        came[first] += 1


def blocks_per_s(load: Load, frames: Sequence[Output] = (), shelf_bytes: int = 0) -> float:
    """Blocks that go to the card; a block closes when it is full, when its oldest byte is 700 ms old, or for sensors.

    ``frames``: the messages that sensors make beside the line, their sizes those of payloads. They wait on a shelf of
    ``shelf_bytes``, and a block goes when more than half of it is taken.
    """
    rate, sensors = load.bytes_per_s, frame_bytes_per_s(frames)
    crowded = shelf_bytes_per_s(frames) / (CROWDED_SHARE * shelf_bytes) if frames else 0.0
    if load.saturated:
        return max((rate + sensors) / _FULL_BLOCK, crowded)
    bursts = max(output.per_second for output in load.outputs)
    full = (rate + bursts * _LATER_FRAME + sensors) / _FULL_BLOCK
    opened = bursts * math.ceil(rate / bursts / _FULL_BLOCK) if bursts <= 1.0 else _closed_by_age(bursts)
    return max(full, opened, crowded, _closed_by_age(bursts + sum(frame.per_second for frame in frames)))


def _closed_by_age(per_second: float) -> float:
    """Blocks a second when something comes so often: the first opens one, what comes until it is old goes with it."""
    return per_second / (math.floor(per_second * PREPARED_CLOSE_MS / 1000.0) + 1)


def card_bytes_per_s(load: Load) -> float:
    """Bytes that go to the card from the line alone."""
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
