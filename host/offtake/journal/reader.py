"""A journal's intact blocks and frames, in order of block number, wrapped or not; constant memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from offtake.errors import DamageError
from offtake.generated.records import BlockHeader, JournalHeader, Status
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.order import Order
from offtake.journal.bulk.passage import OrderBuilder
from offtake.journal.bulk.tables import intact_tables, read_entries, without_copies_of
from offtake.journal.bulk.window import BlockTable, scan_blocks
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.frames import Frame
from offtake.journal.identity import identify
from offtake.journal.runs import RunInfo
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource
from offtake.journal.survey import Survey, survey_tables


@dataclass(frozen=True, slots=True)
class Block:
    """An intact block of this journal: its place in the file, its header and its 512 bytes."""

    position: int
    offset: int
    header: BlockHeader
    data: bytes


class Journal:
    """A journal to read; damaged blocks are passed over (see :mod:`offtake.journal.salvage` for those).

    Raises DamageError when the source is empty, or has neither a valid header nor a valid block.
    """

    def __init__(self, source: ByteSource, name: str = "journal") -> None:
        self.name = name
        self._source = source
        if source.size == 0:
            raise DamageError("the file is empty", where=name, expected="a journal")
        identity = identify(source)
        if identity.journal_id is None:
            raise DamageError(
                f"not a journal: {STATUS_WORDS[identity.header_status]}, and no valid block after it",
                where=f"{name} at byte 0",
                expected="a file made by `offtake prepare` or `offtake pull`",
            )
        self.header: JournalHeader | None = identity.header
        self.header_status: Status = identity.header_status
        self.journal_id: int = identity.journal_id
        self.id_from = identity.id_from
        self._order = self._index()

    def _index(self) -> Order:
        builder = OrderBuilder()
        first = 1 if self.header else 0
        for window in scan_blocks(self._source, self.journal_id, first, block_total(self._source)):
            builder.add_intact(window)
        return builder.order()

    def blocks(self) -> Iterator[Block]:
        """Intact blocks of this journal in order of block number; copies of one follow each other."""
        for window in self.block_tables():
            for index in np.flatnonzero(window.intact).tolist():
                seen = window.seen(index)
                if seen.header is not None:
                    yield Block(seen.position, seen.offset, seen.header, seen.data)

    def block_tables(self) -> Iterator[BlockTable]:
        """The same as tables, all blocks of one number in one table."""
        for entries in self._order.windows():
            yield read_entries(self._source, self.journal_id, entries)

    def frame_tables(self, run: int | None = None, numbers: tuple[int, int] | None = None) -> Iterator[FrameTable]:
        """Frames of intact blocks as tables, in order of block number, then position, then place in the block.

        Those of ``run`` only if given, and of blocks from number ``numbers[0]`` to ``numbers[1]``; no other blocks are
        read. All frames of one block number are in one table.
        """
        return intact_tables(self._source, self.journal_id, self._order, run, numbers)

    def frames(self, run: int | None = None) -> Iterator[Frame]:
        """Frames of intact blocks in order of block number, then place; those of ``run`` only if given.

        A block that the file holds twice gives its frames twice: :func:`~offtake.journal.bulk.tables.copies_of`.
        """
        for table in self.frame_tables(run):
            yield from table.frames()

    def runs(self) -> tuple[RunInfo, ...]:
        """Every run, by number."""
        return self.survey().runs

    def survey(self) -> Survey:
        """The runs, and how their messages are to be read."""
        return survey_tables(map(without_copies_of, self.frame_tables()))
