"""Where a wrapped journal's oldest block lies, by a few looks at its file."""

from __future__ import annotations

import numpy as np

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.window import classify_blocks
from offtake.journal.identity import Identity
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource

_LOOK_BLOCKS = 16


def oldest_position(source: ByteSource, identity: Identity) -> int:
    """The position, behind the newest block, at which reading in order of block numbers begins; the first block's where
    the journal has not wrapped or its header is lost.

    Reads 16 blocks at each of about 25 places. Where the file is damaged just there the answer may be another position
    of the file: whoever reads from it on has to look at the numbers.
    """
    if identity.header is None:
        return 0
    lap, stop = identity.header.blocks - 1, block_total(source)
    newest = _look(source, identity, 1, stop)
    if newest is None or newest[1] <= lap:
        return 1
    low, shift = newest[0], newest[1] - newest[0]
    high = stop
    while high - low > 1:
        middle = (low + high) // 2
        seen = _look(source, identity, middle, high)
        if seen is not None and seen[1] - seen[0] == shift:
            low = seen[0]
        else:
            high = middle
    return high if high < stop else 1


def _look(source: ByteSource, identity: Identity, first: int, stop: int) -> tuple[int, int] | None:
    """Position and number of the first intact block among the next few from ``first`` on."""
    count = min(_LOOK_BLOCKS, stop - first)
    data = source.read(first * BLOCK_SIZE, count * BLOCK_SIZE) if count > 0 else b""
    if not data:
        return None
    positions = np.arange(first, first - (-len(data) // BLOCK_SIZE), dtype=np.int64)
    blocks = classify_blocks(data, positions, identity.journal_id)
    intact = np.flatnonzero(blocks.intact)
    return (int(blocks.position[intact[0]]), int(blocks.number[intact[0]])) if intact.size else None
