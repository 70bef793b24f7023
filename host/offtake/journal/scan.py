"""One walk over a journal's blocks for every reader: whose journal it is, and what each block is worth.

Position is a block's place in the file (block 0 is the journal's header); number is what the block says of itself.
They differ by a whole number of laps once a journal has wrapped, and by other amounts where a copy lost sectors.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from math import gcd

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_MAGIC,
    BLOCK_SIZE,
    BlockHeader,
    JournalHeader,
    Status,
)
from offtake.journal.codec import (
    U32_MAX,
    block_status,
    decode_journal_header,
    frame_seed,
    parse_frame,
    read_block_header,
)
from offtake.journal.source import CHUNK_BLOCKS, ByteSource, read_blocks

# An untrusted file may hold as many ids as blocks; a real one holds a few.
_IDS_MAX = 1024
_AHEAD_BLOCKS = 4
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


@dataclass(frozen=True, slots=True)
class Identity:
    """Whose journal a source is. ``id_from`` is "header", "blocks" or, where no id was found, empty."""

    header_status: Status
    header: JournalHeader | None
    journal_id: int | None
    id_from: str


def block_total(source: ByteSource) -> int:
    """Blocks in the source, block 0 and a torn last one included."""
    return -(-source.size // BLOCK_SIZE)


def identify(source: ByteSource) -> Identity:
    """Read block 0; where it is lost, the id that most valid blocks carry, or else most damaged ones prove."""
    status, header = decode_journal_header(source.read(0, BLOCK_SIZE))
    if header is not None:
        return Identity(status, header, header.journal_id, "header")
    whole: Counter[int] = Counter()
    proven: Counter[int] = Counter()
    for _, data in read_blocks(source, 0, block_total(source)):
        if data[0] != BLOCK_MAGIC or len(data) < BLOCK_HEADER_SIZE:
            continue
        votes = whole if block_status(data) is Status.OK else proven
        found = read_block_header(data)
        if votes is proven and not _first_frame_holds(data, found):
            continue
        if found.journal_id in votes or len(votes) < _IDS_MAX:
            votes[found.journal_id] += 1
    for votes in (whole, proven):
        if votes:
            journal_id = max(votes, key=lambda key: (votes[key], -key))
            return Identity(status, None, journal_id, "blocks")
    return Identity(status, None, None, "")


def _first_frame_holds(data: bytes, header: BlockHeader) -> bool:
    """Whether the first frame's check, which covers id and number, bears a damaged block's header out."""
    seed = frame_seed(header.journal_id, header.block_number)
    return parse_frame(data, BLOCK_HEADER_SIZE, len(data), seed)[0] is Status.OK


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


def walk(
    source: ByteSource, journal_id: int | None, first: int, stop: int, at_once: int = CHUNK_BLOCKS
) -> Iterator[Seen]:
    """Every block from position ``first`` up to ``stop``, classified, in file order; ``at_once`` blocks in memory."""
    for position, data in read_blocks(source, first, stop, at_once):
        yield classify(position, data, journal_id)


def lap_length(source: ByteSource, identity: Identity) -> int:
    """Blocks in a lap: by the journal's header, or else what all shifts have in common; 0 if nothing tells it."""
    if identity.header is not None:
        return identity.header.blocks - 1
    common = 0
    for seen in walk(source, identity.journal_id, 0, block_total(source)):
        if seen.kind is Kind.INTACT:
            common = gcd(common, abs(seen.shift))
    return common


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


@dataclass(slots=True)
class Stretch:
    """Positions at which content with one shift lies; ``before`` is the intact block ahead of the first."""

    first: int
    last: int
    before: Seen | None


class Stretches:
    """Where in the file each shift between number and position occurs: by it, blocks are read in number order."""

    # Real journals show one or two, and one more for each place where a copy lost sectors. An untrusted file may
    # show as many as it has blocks.
    SHIFTS_MAX = 64

    def __init__(self) -> None:
        self._by_shift: dict[int, Stretch] = {}

    def add(self, shift: int, position: int, before: Seen | None) -> bool:
        """Note content with ``shift`` at ``position``, in file order; False when there are too many shifts."""
        known = self._by_shift.get(shift)
        if known is not None:
            known.last = max(known.last, position)
        elif len(self._by_shift) < self.SHIFTS_MAX:
            self._by_shift[shift] = Stretch(position, position, before)
        else:
            return False
        return True

    def in_order(self) -> list[tuple[int, Stretch]]:
        """Shifts from the oldest content to the newest."""
        return sorted(self._by_shift.items())

    @property
    def at_once(self) -> int:
        """Blocks to read at once for each shift, so that all of them together take no more memory than one."""
        return max(1, CHUNK_BLOCKS // max(1, len(self._by_shift)))


class NextIntact:
    """Finds the intact block after a position; remembers it, so that a damaged stretch is read ahead once."""

    def __init__(self, source: ByteSource, journal_id: int | None) -> None:
        self._source = source
        self._journal_id = journal_id
        self._from = 0
        self._found: Seen | None = None
        self._known = False

    def after(self, position: int) -> Seen | None:
        """The first intact block past ``position``, or None."""
        inside = self._known and position >= self._from
        if inside and (self._found is None or self._found.position > position):
            return self._found
        self._from, self._known = position, True
        stop = block_total(self._source)
        # It is mostly the very next one.
        ahead = walk(self._source, self._journal_id, position + 1, stop, _AHEAD_BLOCKS)
        self._found = next((seen for seen in ahead if seen.kind is Kind.INTACT), None)
        return self._found
