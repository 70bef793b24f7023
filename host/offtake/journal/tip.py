"""How much of a journal is used, found by reading few of its blocks: as the logger does it, and a little more."""

from __future__ import annotations

from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Status
from offtake.journal.codec import STATUS_WORDS, block_status, read_block_header
from offtake.journal.identity import identify
from offtake.journal.source import ByteSource

LOOK_PAST_BLOCKS = 16_384
"""Blocks looked at one by one behind the last one found: 8 MiB, twice what cards erase or lose at once."""
_AT_ONCE = 512
_NEIGHBOURS = 16
_BLANKS = (bytes(BLOCK_SIZE), b"\xff" * BLOCK_SIZE)


def find_tip(source: ByteSource, name: str) -> Tip:
    """The end of the used part of whatever journal lies in ``source``. One without a header is read once for its id.

    :raises DamageError: nothing of a journal; ``name`` says where.
    """
    identity = identify(source)
    if identity.journal_id is None:
        raise DamageError(
            f"not a journal: {STATUS_WORDS[identity.header_status]}, and no block of one follows",
            where=f"{name}, byte 0",
            expected="a journal made by `offtake prepare`",
        )
    blocks = identity.header.blocks if identity.header else -(-source.size // BLOCK_SIZE)
    return Tip(source, identity.journal_id, blocks - 1)


class Tip:
    """The end of the used part of the journal ``journal_id`` of ``lap_blocks`` blocks, its header apart.

    ``last`` is the last position that is neither blank nor another journal's, 0 where there is none; ``newest`` the
    highest block number found there, and ``wrapped`` says that the logger has gone over the file's end.
    """

    def __init__(self, source: ByteSource, journal_id: int, lap_blocks: int) -> None:
        self._source = source
        self.journal_id = journal_id
        self._lap = max(lap_blocks, 1)
        self._total = -(-source.size // BLOCK_SIZE)
        self.last = 0
        self.newest = 0
        self._find()

    @property
    def wrapped(self) -> bool:
        """A block has a number that no block of the first lap has."""
        return self.newest > self._lap

    def _find(self) -> None:
        # A wrapped or full journal shows at its end, and then all of it is used.
        self._look(max(1, self._total - _NEIGHBOURS), self._total)
        all_used = self.last > 0
        self._look(1, min(1 + _NEIGHBOURS, self._total))
        lap = -1
        while lap != (lap := (self.newest - 1) // self._lap):
            self._bisect(max(lap, 0) * self._lap)
        if all_used:
            return
        self._look_far()
        at = self.last + 1
        # Whatever lies behind a hole moves the end on, and from there the same stretch is looked at again.
        while at < min(self._total, self.last + 1 + LOOK_PAST_BLOCKS):
            stop = min(self._total, at + _AT_ONCE)
            self._look(at, stop)
            at = stop

    def _bisect(self, above: int) -> None:
        """Blocks of the newest lap, whose numbers are above that, fill the file from its start to the newest one, but
        for holes.
        """
        low, end = 0, self._total
        while end - low > 1:
            middle = (low + end) // 2
            if self._look(middle, min(middle + _NEIGHBOURS, end)) > above:
                low = middle
            else:
                end = middle

    def _look_far(self) -> None:
        """Further and further out: a hole wider than a few blocks may have misled the bisection."""
        distance = 1
        while self.last + distance < self._total:
            at = self.last + distance
            distance = 1 if self._look(at, min(at + _NEIGHBOURS, self._total)) > 0 else 2 * distance

    def _look(self, first: int, stop: int) -> int:
        """Looks at blocks; the highest number of one that is this journal's and whole, 0 where there is none."""
        data = self._source.read(first * BLOCK_SIZE, (stop - first) * BLOCK_SIZE)
        highest = 0
        for at in range(0, len(data), BLOCK_SIZE):
            block = data[at : at + BLOCK_SIZE]
            if block in _BLANKS:
                continue
            found = block_status(block, self.journal_id)
            if found is Status.FOREIGN_JOURNAL:
                continue
            self.last = max(self.last, first + at // BLOCK_SIZE)
            if found is Status.OK:
                highest = max(highest, read_block_header(block).block_number)
        self.newest = max(self.newest, highest)
        return highest
