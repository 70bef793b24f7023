"""What a journal is pulled from: a logger at the desk, or a file, card image or mounted card."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from offtake.card import OpenedJournal
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.tip import find_tip
from offtake.link.desk import Desk
from offtake.link.refusals import require_journal
from offtake.link.window import WindowReader, window_blocks

_STEP_BLOCKS = 256


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

    def extent(self) -> Extent:
        """Which journal it is and how much of it is used. DamageError: there is none."""

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks as they lie; fewer bytes only at the end of a truncated file."""

    def stream(self, first: int, stop: int) -> Iterator[tuple[int, bytes]]:
        """Blocks ``first`` to ``stop - 1`` in stretches, each with its first block. When the source fails, what has
        come by then is given before its InputOutputError.
        """


class DeskSource:
    """The journal on the card of a logger at the desk. ``at_once`` blocks are asked for in one request; 0: as many as
    suit the line's speed.
    """

    def __init__(self, desk: Desk, chunk_max: int = BLOCK_SIZE, at_once: int = 0) -> None:
        self.description = f"logger at {desk.port.name}"
        self._at_once = at_once or window_blocks(desk.baud)
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

    def stream(self, first: int, stop: int) -> Iterator[tuple[int, bytes]]:
        """As the answers come in, a window after the other."""
        return self._reader.stream(first, stop, self._at_once)

    @property
    def asked_again(self) -> int:
        """Requests that had to be repeated."""
        return self._reader.asked_again + self._desk.re_asked


class LocalSource:
    """A journal this computer can read itself."""

    def __init__(self, opened: OpenedJournal) -> None:
        self.description = opened.description
        self._opened = opened

    asked_again = 0

    @property
    def unreadable(self) -> int:
        """Sectors that the medium did not return; they are pulled as zeros."""
        return len(self._opened.unreadable)

    def extent(self) -> Extent:
        """Looks for the last block in use by reading few others. A journal without a header is read once for its id."""
        tip = find_tip(self._opened, self.description)
        return Extent(tip.journal_id, tip.last + 1, tip.newest + 1, tip.wrapped)

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks as they lie."""
        return self._opened.read(first * BLOCK_SIZE, count * BLOCK_SIZE)

    def stream(self, first: int, stop: int) -> Iterator[tuple[int, bytes]]:
        """As they lie; ends early at the end of a truncated file."""
        while first < stop:
            count = min(_STEP_BLOCKS, stop - first)
            data = self.read_blocks(first, count)
            if data:
                yield first, data
            if len(data) < count * BLOCK_SIZE:
                return
            first += count
