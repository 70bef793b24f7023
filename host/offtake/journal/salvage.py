"""Everything a damaged journal still proves, and an account of every byte.

Salvage reads the source in constant memory: once in file order for the account, and again for the frames, in the order
of their block numbers. What runs there are it sees on the first passage where that is the same order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from offtake.generated.records import BLOCK_SIZE, JournalHeader, Status
from offtake.journal.account import Account, Bookkeeper
from offtake.journal.bulk import window
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.order import Order
from offtake.journal.bulk.passage import OrderBuilder, read_windows
from offtake.journal.bulk.tables import copies_of, salvaged_tables, without_copies_of
from offtake.journal.codec import decode_journal_header
from offtake.journal.frames import Frame
from offtake.journal.identity import Identity, identify, lap_length
from offtake.journal.index import JournalIndex
from offtake.journal.ladder import RUNG, LaddersOnTheWay, Rungs, ladder_of
from offtake.journal.runs import RunInfo
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource
from offtake.journal.stale import StaleIndexError
from offtake.journal.survey import Survey, SurveyOnTheWay, survey_tables


class Salvage:
    """What :func:`salvage` found; ``frames`` and what is made of them read the source again, so keep that open.

    ``lap`` is the number of blocks in one lap of the journal (0: unknown), ``order`` says where the blocks of each
    number lie. ``index`` is its index, where someone has loaded or made one. ``by_index``: the account and the order
    are that index's, not those of a passage over the file. Then reading frames raises
    :class:`~offtake.journal.stale.StaleIndexError` where a block is not what the index says.
    """

    def __init__(
        self, source: ByteSource, name: str, index: JournalIndex | None = None, *, ladders: bool = False
    ) -> None:
        self.name = name
        self.index = index
        self.by_index = index is not None
        self._source = source
        self._survey: Survey | None = None
        self._rungs: Rungs | None = None
        self._ladders: LaddersOnTheWay | None = None
        if index is not None:
            status, header = decode_journal_header(source.read(0, BLOCK_SIZE))
            self.header: JournalHeader | None = header
            self.header_status: Status = status
            self.journal_id, self.id_from, self.lap = index.journal_id, index.id_from, index.lap
            self.account, self.order = index.account, index.order
            self._survey, self._rungs = index.survey, index.rungs
            return
        identity: Identity = identify(source)
        self.header = identity.header
        self.header_status = identity.header_status
        self.journal_id = identity.journal_id
        self.id_from = identity.id_from
        self.lap = lap_length(source, identity)
        self.account, self.order = self._pass_over(ladders=ladders)

    def runs(self) -> tuple[RunInfo, ...]:
        """Every run that frames were recovered of, by number."""
        return self.survey().runs

    def survey(self) -> Survey:
        """The runs that frames were recovered of, and how their messages are to be read; the frames are read once."""
        if self._survey is None:
            self._survey = survey_tables(map(without_copies_of, self.frame_tables()))
        return self._survey

    def rungs(self) -> Rungs:
        """Times along each run, by run and number; the frames are read once where the passage did not tell, and those
        of a run with uncertain ticks once more."""
        if self._rungs is None:
            ladders = self._ladders
            if ladders is None:
                ladders = LaddersOnTheWay()
                for table in self.frame_tables():
                    ladders.add(without_copies_of(table))
            rungs = [np.zeros(0, RUNG)]
            for info in self.runs():
                known = ladders.rungs(info.run)
                rungs.append(ladder_of(self.frame_tables(info.run), info.run) if known is None else known)
            self._rungs = np.concatenate(rungs)
            self._ladders = None
        return self._rungs

    def frame_tables(self, run: int | None = None, numbers: tuple[int, int] | None = None) -> Iterator[FrameTable]:
        """Recovered frames as tables, in order of block number, then place in the block, then position.

        Those of ``run`` (likely ones too) only if given, and of blocks from number ``numbers[0]`` to ``numbers[1]``; no
        other blocks are read. All frames of one block number are in one table.
        """
        if self.journal_id is None:
            return iter(())
        tables = salvaged_tables(
            self._source, self.journal_id, self.order, self.lap, run, numbers, strict=self.by_index
        )
        return self._as_counted(tables, run) if self.by_index and run is not None and numbers is None else tables

    def _as_counted(self, tables: Iterable[FrameTable], run: int) -> Iterator[FrameTable]:
        """``tables`` of all of a run's frames, which are as many as the index says."""
        frames = 0
        for table in tables:
            frames += len(table) - int(np.count_nonzero(copies_of(table)))
            yield table
        if frames != sum(info.frames for info in self.runs() if info.run == run):
            raise StaleIndexError(f"run {run} has {frames} frames", where=self.name, expected="as the index says")

    def frames(self, run: int | None = None) -> Iterator[Frame]:
        """Recovered frames in order of block number, then place; those of ``run`` (likely ones too) if given.

        A block that the file holds twice gives its frames twice: :func:`~offtake.journal.bulk.tables.copies_of`.
        """
        for table in self.frame_tables(run):
            yield from table.frames()

    def _pass_over(self, *, ladders: bool) -> tuple[Account, Order]:
        """One passage over the file: the account, and where the blocks of each number lie. Where the frames lie in
        order of their numbers, the survey is made on the way, and the ladders if they are wanted."""
        account = Account(self._source.size)
        if self.header is not None:
            account.structure_bytes += BLOCK_SIZE
        books = Bookkeeper(account, self.header_status)
        builder = OrderBuilder()
        made = LaddersOnTheWay() if ladders else None
        # What fits one window is soon read again, if anybody asks.
        long = block_total(self._source) > window.WINDOW_BLOCKS
        surveyed = SurveyOnTheWay(made) if long else None
        # Without a valid header the file may begin with any block.
        first = 1 if self.header is not None else 0
        at = first * BLOCK_SIZE
        for part in read_windows(self._source, self.journal_id, self.lap, first):
            blocks_in, damaged_in = builder.add(part)
            books.add(part, blocks_in, damaged_in)
            if surveyed is not None:
                surveyed.add(part, blocks_in, damaged_in)
            at = int(part.blocks.position[0]) * BLOCK_SIZE + len(part.blocks.data)
        # A medium may return less than the size it gave.
        account.skip(at, max(0, account.size - at), "unreadable")
        if surveyed is not None and surveyed.result is not None:
            self._survey, self._ladders = surveyed.result, made
        return account, builder.order()


def salvage(
    source: ByteSource, name: str = "journal", index: JournalIndex | None = None, *, ladders: bool = False
) -> Salvage:
    """Recover what the source proves, without a passage over it where its ``index`` is at hand; with ``ladders`` what
    an index needs is made on the way. No content is an error: an empty or senseless source gives an account without
    frames. Raises only what ``source.read`` raises."""
    return Salvage(source, name, index, ladders=ladders)
