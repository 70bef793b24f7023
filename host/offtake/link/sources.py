"""What a journal is pulled from: a logger at the desk, or a file, card image or mounted card."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from offtake.card import OpenedJournal
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Status
from offtake.journal.codec import STATUS_WORDS, block_status, decode_journal_header, read_block_header
from offtake.link.desk import Desk, require_journal
from offtake.link.window import WindowReader

_SCAN_BLOCKS = 2048
_BLANKS = (bytes(BLOCK_SIZE), b"\xff" * BLOCK_SIZE)


@dataclass(frozen=True)
class Extent:
    """How much of a journal is used: ``blocks`` from position 0 on; ``next_block`` is the number the next one gets.

    ``wrapped`` says that the logger has gone over the file's end, so that its oldest blocks may change.
    """

    journal_id: int
    blocks: int
    next_block: int
    wrapped: bool


class Source(Protocol):
    """What :func:`offtake.link.pull.pull` needs."""

    description: str
    step_blocks: int

    def extent(self) -> Extent:
        """Which journal it is and how much of it is used. DamageError: there is none."""

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks as they lie; fewer bytes only at the end of a truncated file."""


class DeskSource:
    """The journal on the card of a logger at the desk. ``window_blocks`` are asked for at once."""

    def __init__(self, desk: Desk, chunk_max: int = BLOCK_SIZE, window_blocks: int = 32) -> None:
        self.description = f"logger at {desk.port.name}"
        self.step_blocks = window_blocks
        self._desk = desk
        self._reader = WindowReader(desk, chunk_max)

    def extent(self) -> Extent:
        """As the logger found it when it looked for the journal's end."""
        description = self._desk.describe()
        require_journal(description, self._desk.port.name)
        blocks, next_block = description.journal_blocks, description.next_block
        # Block n lies at 1 + (n - 1) % (blocks - 1): once as many were written, the whole file is used.
        wrapped = next_block > blocks
        used = blocks if wrapped else max(1, next_block)
        return Extent(description.journal_id, used, next_block, wrapped)

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks as they lie on the card, asked for until each has come."""
        return self._reader.read_blocks(first, count)

    @property
    def asked_again(self) -> int:
        """Requests that had to be repeated."""
        return self._reader.asked_again + self._desk.re_asked


class LocalSource:
    """A journal this computer can read itself."""

    step_blocks = 256

    def __init__(self, opened: OpenedJournal) -> None:
        self.description = opened.description
        self._opened = opened

    asked_again = 0

    @property
    def unreadable(self) -> int:
        """Sectors that the medium did not return; they are pulled as zeros."""
        return len(self._opened.unreadable)

    def extent(self) -> Extent:
        """Looks at every block: used is all up to the last that is neither blank nor another journal's."""
        status, header = decode_journal_header(self._opened.read(0, BLOCK_SIZE))
        journal_id = header.journal_id if header else self._id_of_blocks(status)
        last, newest = 0, 0
        total = -(-self._opened.size // BLOCK_SIZE)
        for first in range(1, total, _SCAN_BLOCKS):
            data = self._opened.read(first * BLOCK_SIZE, _SCAN_BLOCKS * BLOCK_SIZE)
            for at in range(0, len(data), BLOCK_SIZE):
                block = data[at : at + BLOCK_SIZE]
                if block in _BLANKS:
                    continue
                found = block_status(block, journal_id)
                if found is Status.FOREIGN_JOURNAL:
                    continue
                last = first + at // BLOCK_SIZE
                if found is Status.OK:
                    newest = max(newest, read_block_header(block).block_number)
        wrapped = newest >= (header.blocks if header else total)
        return Extent(journal_id, last + 1, newest + 1, wrapped)

    def _id_of_blocks(self, header_status: Status) -> int:
        """The journal most of the valid blocks belong to, where the header does not say it."""
        votes: dict[int, int] = {}
        for at in range(BLOCK_SIZE, self._opened.size, _SCAN_BLOCKS * BLOCK_SIZE):
            data = self._opened.read(at, _SCAN_BLOCKS * BLOCK_SIZE)
            for start in range(0, len(data), BLOCK_SIZE):
                block = data[start : start + BLOCK_SIZE]
                if block_status(block) is Status.OK:
                    number = read_block_header(block).journal_id
                    votes[number] = votes.get(number, 0) + 1
        if not votes:
            raise DamageError(
                f"not a journal: {STATUS_WORDS[header_status]}, and no block of one follows",
                where=f"{self.description}, byte 0",
                expected="a journal made by `offtake prepare`",
            )
        return max(votes, key=lambda number: (votes[number], number))

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks as they lie."""
        return self._opened.read(first * BLOCK_SIZE, count * BLOCK_SIZE)
