"""One passage over a file, in its own order: what each block is, and the frames of intact and of damaged blocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.arrays import Bools, Ints, Ints32
from offtake.journal.bulk.frames import FrameTable, table_of
from offtake.journal.bulk.order import CHECKED, EXTENT, FOUND, NO_POSITION, WHOLE, Extents, Order, Shifts
from offtake.journal.bulk.parse import frames_of
from offtake.journal.bulk.window import DAMAGED, TORN, BlockTable, scan_blocks
from offtake.journal.frames import Frame, frames_of_damaged
from offtake.journal.scan import Seen, block_total, candidate_numbers
from offtake.journal.source import ByteSource

_AHEAD_BLOCKS = 16


@dataclass(eq=False)
class FileWindow:
    """Neighbours in a file. ``frames`` are those of intact blocks, ``unexplained`` (bytes, by block) what these hold
    beside them; ``damaged`` are the frames that damaged and torn blocks still prove. Both are in order of place.

    ``before`` and ``after``, by block, are the positions of the nearest intact blocks around a damaged or torn one,
    NO_POSITION where there is none.
    """

    blocks: BlockTable
    frames: FrameTable
    unexplained: Ints32
    damaged: FrameTable
    before: Ints
    after: Ints


def read_windows(source: ByteSource, journal_id: int | None, lap: int, first: int) -> Iterator[FileWindow]:
    """The file from position ``first`` on; a lap is ``lap`` blocks (0: unknown). Raises what ``source.read`` does."""
    around = _Neighbours(source, journal_id or 0)
    for blocks in scan_blocks(source, journal_id, first, block_total(source)):
        frames, unexplained = frames_of(blocks)
        hurt = np.flatnonzero((blocks.kind == DAMAGED) | (blocks.kind == TORN))
        before = np.full(len(blocks), NO_POSITION, np.int64)
        after = before.copy()
        found: list[Frame] = []
        if journal_id is not None:
            around.enter(blocks)
            for index in hurt.tolist():
                ahead, behind = around.of(index)
                before[index] = NO_POSITION if ahead is None else ahead.position
                after[index] = NO_POSITION if behind is None else behind.position
                found += frames_of_hurt(blocks.seen(index), journal_id, ahead, behind, lap)
        begin = int(blocks.position[0]) * BLOCK_SIZE
        bases = [frame.position * BLOCK_SIZE - begin for frame in found]
        damaged = table_of(found, blocks.data, journal_id or 0, bases)
        yield FileWindow(blocks, frames, unexplained, damaged, before, after)


def frames_of_hurt(seen: Seen, journal_id: int, before: Seen | None, after: Seen | None, lap: int) -> list[Frame]:
    """What a damaged or torn block still proves, ``before`` and ``after`` being the nearest intact ones."""
    numbers = candidate_numbers(seen.position, before, after, lap)
    return list(frames_of_damaged(seen, journal_id, numbers, before, after))


class _Neighbours:
    """The nearest intact blocks around those of a window; what lies behind it is read ahead once for a long stretch."""

    def __init__(self, source: ByteSource, journal_id: int) -> None:
        self._source = source
        self._journal_id = journal_id
        self._before: Seen | None = None
        self._blocks: BlockTable | None = None
        self._intact = np.zeros(0, np.int64)
        # What is known of the file behind the window: that the next intact block from there on is this one.
        self._known_from: int | None = None
        self._after: Seen | None = None

    def enter(self, blocks: BlockTable) -> None:
        """Go on to the next window."""
        if self._blocks is not None and self._intact.size:
            self._before = self._blocks.seen(int(self._intact[-1]))
        self._blocks = blocks
        self._intact = np.flatnonzero(blocks.intact)

    def of(self, index: int) -> tuple[Seen | None, Seen | None]:
        """The nearest intact blocks before and after the one at ``index`` in the window."""
        assert self._blocks is not None
        at = int(np.searchsorted(self._intact, index))
        before = self._blocks.seen(int(self._intact[at - 1])) if at else self._before
        if at < self._intact.size:
            return before, self._blocks.seen(int(self._intact[at]))
        return before, self._behind(int(self._blocks.position[-1]) + 1)

    def _behind(self, position: int) -> Seen | None:
        """The first intact block from ``position`` on."""
        known = self._known_from is not None and self._known_from <= position
        if known and (self._after is None or self._after.position >= position):
            return self._after
        self._known_from = position
        self._after = self._next_intact(position)
        return self._after

    def _next_intact(self, position: int) -> Seen | None:
        # It is mostly the very next one.
        stop = block_total(self._source)
        near = min(stop, position + _AHEAD_BLOCKS)
        for first, last in ((position, near), (near, stop)):
            for blocks in scan_blocks(self._source, self._journal_id, first, last):
                intact = np.flatnonzero(blocks.intact)
                if intact.size:
                    return blocks.seen(int(intact[0]))
        return None


class OrderBuilder:
    """Takes the windows of a passage, in file order, and learns from them in which order the numbers lie."""

    def __init__(self) -> None:
        self._shifts = Shifts()
        self._extents = Extents()

    def add(self, window: FileWindow) -> tuple[Bools, Bools]:
        """Take in a window. Returns which of its blocks (True for all but intact ones of too many shifts) and which
        of ``window.damaged`` are in the order; see :data:`~offtake.journal.bulk.order.SHIFTS_MAX`."""
        blocks, damaged = window.blocks, window.damaged
        intact = np.flatnonzero(blocks.intact)
        if not len(damaged):
            admitted = self._shifts.admitted(blocks.shift[intact])
            self._extents.add(_of_intact(blocks, window, intact[admitted]))
            return _all_but(len(blocks), intact[~admitted]), np.zeros(0, np.bool_)
        index = damaged.at // BLOCK_SIZE
        at = np.concatenate([intact, index])
        shifts = np.concatenate([blocks.shift[intact], damaged.number - damaged.position])
        in_file = np.argsort(at, kind="stable")
        admitted = np.empty(at.size, np.bool_)
        admitted[in_file] = self._shifts.admitted(shifts[in_file])
        whole, part = admitted[: intact.size], admitted[intact.size :]
        rows = [_of_intact(blocks, window, intact[whole]), _of_damaged(window, np.flatnonzero(part))]
        entries = np.concatenate(rows)
        self._extents.add(entries[np.argsort(entries["position"], kind="stable")])
        return _all_but(len(blocks), intact[~whole]), part

    def add_intact(self, blocks: BlockTable) -> None:
        """Take in the intact blocks of a window whose frames nobody has looked at."""
        intact = np.flatnonzero(blocks.intact)
        chosen = intact[self._shifts.admitted(blocks.shift[intact])]
        entries = _of_intact(blocks, None, chosen)
        self._extents.add(entries)

    def order(self) -> Order:
        """The order of all that was added."""
        return self._extents.in_order()


def _all_but(total: int, left_out: Ints) -> Bools:
    chosen = np.ones(total, np.bool_)
    chosen[left_out] = False
    return chosen


def _of_intact(blocks: BlockTable, window: FileWindow | None, chosen: Ints) -> NDArray[np.void]:
    entries = np.zeros(chosen.size, EXTENT)
    entries["position"], entries["number"] = blocks.position[chosen], blocks.number[chosen]
    entries["count"], entries["run"] = 1, blocks.run[chosen]
    entries["before"] = entries["after"] = NO_POSITION
    entries["what"] = WHOLE | FOUND
    if window is not None:
        empty = np.bincount(window.frames.at // BLOCK_SIZE, minlength=len(blocks))[chosen] == 0
        entries["what"][empty] = WHOLE
        entries["what"][window.unexplained[chosen] == 0] |= CHECKED
    return entries


def _of_damaged(window: FileWindow, rows: Ints) -> NDArray[np.void]:
    """An entry for each number that a damaged block proves; all its frames of one number are of one likely run."""
    damaged = window.damaged
    keys = damaged.position[rows] << 32 | damaged.number[rows]
    first = rows[np.sort(np.unique(keys, return_index=True)[1])]
    index = damaged.at[first] // BLOCK_SIZE
    entries = np.zeros(first.size, EXTENT)
    entries["position"], entries["number"] = damaged.position[first], damaged.number[first]
    entries["count"], entries["run"] = 1, damaged.likely_run[first]
    entries["before"], entries["after"] = window.before[index], window.after[index]
    entries["what"] = FOUND
    return entries
