"""What each block of a file is worth, and what number a damaged one may have had.

Position is a block's place in the file (block 0 is the journal's header); number is what the block says of itself.
They differ by a whole number of laps once a journal has wrapped, and by other amounts where a copy lost sectors.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from offtake.generated.records import (
    BLOCK_SIZE,
    BlockHeader,
    Status,
)
from offtake.journal.codec import (
    U32_MAX,
    block_status,
    read_block_header,
)
from offtake.journal.source import ByteSource

_ERASED = frozenset((0x00, 0xFF))


class Kind(Enum):
    """What a block is to this journal."""

    INTACT = "intact"
    DAMAGED = "damaged"
    FOREIGN = "foreign"
    FILL = "fill"
    TORN = "torn"


@dataclass(frozen=True, slots=True)
class Seen:
    """A block as the walk found it; ``header`` is set for intact and foreign blocks."""

    position: int
    kind: Kind
    status: Status
    header: BlockHeader | None
    data: bytes

    @property
    def offset(self) -> int:
        """Byte offset in the file."""
        return self.position * BLOCK_SIZE

    @property
    def shift(self) -> int:
        """Number less position of an intact block."""
        return self.header.block_number - self.position if self.header else 0


def block_total(source: ByteSource) -> int:
    """Blocks in the source, block 0 and a torn last one included."""
    return -(-source.size // BLOCK_SIZE)


def classify(position: int, data: bytes, journal_id: int | None) -> Seen:
    """What one block is. A short one is torn; one of a single repeated fill byte was never written."""
    if len(data) < BLOCK_SIZE:
        return Seen(position, Kind.TORN, Status.SHORT_INPUT, None, data)
    status = block_status(data, journal_id)
    if status is Status.OK:
        return Seen(position, Kind.INTACT, status, read_block_header(data), data)
    if status is Status.FOREIGN_JOURNAL:
        return Seen(position, Kind.FOREIGN, status, read_block_header(data), data)
    if data[0] in _ERASED and data.count(data[0]) == BLOCK_SIZE:
        return Seen(position, Kind.FILL, status, None, data)
    return Seen(position, Kind.DAMAGED, status, None, data)


def candidate_numbers(position: int, before: Seen | None, after: Seen | None, lap: int) -> tuple[int, ...]:
    """Numbers a damaged block at ``position`` may have had, by its intact neighbours, likeliest first."""
    shifts = [seen.shift for seen in (before, after) if seen is not None] or [0]
    if lap:
        shifts += [shift - lap for shift in shifts] + [shift + lap for shift in shifts]
    if lap and after is None:
        # At the file's end nothing shows whether the tip lies just before, and the block is a lap older.
        shifts.append(shifts[0] - 2 * lap)
    numbers = dict.fromkeys(position + shift for shift in shifts)
    return tuple(number for number in numbers if 1 <= number <= U32_MAX)
