"""A journal's frames as tables, in order of block number."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.bulk.frames import FrameTable, joined, table_of
from offtake.journal.bulk.order import CHECKED, NO_POSITION, WHOLE, Entries, Order
from offtake.journal.bulk.parse import frames_of
from offtake.journal.bulk.passage import frames_of_hurt
from offtake.journal.bulk.window import DAMAGED, BlockTable, classify_blocks
from offtake.journal.frames import Frame
from offtake.journal.scan import Kind, Seen, classify
from offtake.journal.source import ByteSource
from offtake.journal.stale import require_entries, stale_at


def read_entries(source: ByteSource, journal_id: int | None, entries: Entries, *, strict: bool = False) -> BlockTable:
    """The blocks of ``entries``, one after the other; what the source no longer returns is zeros. With ``strict``
    StaleIndexError where one is not what the entries say."""
    position = entries.position
    begins = np.flatnonzero(np.diff(position, prepend=-2) != 1)
    parts = []
    for begin, end in zip(begins.tolist(), [*begins[1:].tolist(), position.size], strict=True):
        size = (end - begin) * BLOCK_SIZE
        parts.append(source.read(int(position[begin]) * BLOCK_SIZE, size).ljust(size, b"\0"))
    blocks = classify_blocks(parts[0] if len(parts) == 1 else b"".join(parts), position, journal_id)
    if strict:
        require_entries(blocks, entries)
    # A file may change while it is read: what is not what the passage over it found counts for nothing.
    wrong = blocks.intact & ((blocks.number != entries.number) | (entries.what & WHOLE == 0))
    blocks.kind[wrong] = DAMAGED
    return blocks


def intact_tables(
    source: ByteSource, journal_id: int, order: Order, run: int | None = None, numbers: tuple[int, int] | None = None
) -> Iterator[FrameTable]:
    """Tables of the frames of intact blocks, in order of number, then position, then place. All frames of one number
    are in one table. ``run`` and ``numbers`` (first and last) choose; only blocks that they concern are read."""
    for entries in order.windows(run, numbers):
        blocks = read_entries(source, journal_id, entries)
        frames = frames_of(blocks, entries.what & CHECKED > 0)[0]
        index = frames.at // BLOCK_SIZE
        # Of a block that is there twice, the first one stands after the gap.
        again = np.diff(entries.number, prepend=-1) == 0
        frames.after_damage |= _first_of_each(index) & (entries.broken & ~again)[index]
        yield _of_run(frames, run)


def salvaged_tables(
    source: ByteSource,
    journal_id: int,
    order: Order,
    lap: int,
    run: int | None = None,
    numbers: tuple[int, int] | None = None,
    *,
    strict: bool = False,
) -> Iterator[FrameTable]:
    """Tables of all frames that are left, those of damaged blocks in their places: in order of number, then place,
    then position. All frames of one number are in one table. With ``strict`` StaleIndexError where a block is not what
    the order says."""
    neighbours = _Neighbours(source, journal_id, strict=strict)
    for entries in order.windows(run, numbers):
        blocks = read_entries(source, journal_id, entries, strict=strict)
        frames = frames_of(blocks, entries.what & CHECKED > 0)[0]
        hurt = np.flatnonzero(entries.what & WHOLE == 0)
        if hurt.size:
            frames = joined([frames, _hurt_frames(source, blocks, entries, hurt, neighbours, lap)])
        if hurt.size or entries.with_copies:
            frames = frames.taken(np.lexsort((frames.position, frames.place, frames.number)))
        frames.after_damage |= _first_of_each(frames.number) & entries.broken[frames.at // BLOCK_SIZE]
        yield _of_run(frames, run)


def _first_of_each(values: Ints) -> Bools:
    """Where a new value begins."""
    firsts: Bools = np.diff(values, prepend=-1) != 0
    return firsts


def _of_run(frames: FrameTable, run: int | None) -> FrameTable:
    if run is None:
        return frames
    chosen = frames.likely_run == run
    return frames if chosen.all() else frames.taken(chosen)


def _hurt_frames(
    source: ByteSource, blocks: BlockTable, entries: Entries, hurt: Ints, neighbours: _Neighbours, lap: int
) -> FrameTable:
    found: list[Frame] = []
    bases: list[int] = []
    journal_id = blocks.journal_id or 0
    for index in hurt.tolist():
        position, number = int(entries.position[index]), int(entries.number[index])
        data = blocks.block(index)[: source.size - position * BLOCK_SIZE]
        around = (neighbours.at(int(entries.before[index])), neighbours.at(int(entries.after[index])))
        frames = frames_of_hurt(classify(position, data, journal_id), journal_id, *around, lap)
        chosen = [frame for frame in frames if frame.block_number == number]
        if neighbours.strict and not chosen:
            raise stale_at(position)
        found += chosen
        bases += [index * BLOCK_SIZE] * len(chosen)
    return table_of(found, blocks.data, journal_id, bases)


class _Neighbours:
    """Intact blocks that were noted beside damaged ones; the last two are remembered."""

    def __init__(self, source: ByteSource, journal_id: int, *, strict: bool) -> None:
        self.strict = strict
        self._source = source
        self._journal_id = journal_id
        self._known: dict[int, Seen] = {}

    def at(self, position: int) -> Seen | None:
        """The intact block at ``position``."""
        if position == NO_POSITION:
            return None
        if position not in self._known:
            data = self._source.read(position * BLOCK_SIZE, BLOCK_SIZE)
            if len(self._known) > 1:
                del self._known[next(iter(self._known))]
            self._known[position] = classify(position, data, self._journal_id)
        seen = self._known[position]
        if self.strict and seen.kind is not Kind.INTACT:
            raise stale_at(position)
        return seen if seen.kind is Kind.INTACT else None


def copies_of(table: FrameTable) -> Bools:
    """Which frames of ``table``, in which all of a number are together, a second copy of their block repeats."""
    copies = np.zeros(len(table), np.bool_)
    number, position = table.number, table.position
    # Of a number with frames of several positions, two that follow each other are not of the same one.
    several = number[1:][(number[1:] == number[:-1]) & (position[1:] != position[:-1])]
    if not several.size:
        return copies
    seen: set[tuple[int, int, int, bytes]] = set()
    last = -1
    places = table.place
    for row in np.flatnonzero(np.isin(number, several)).tolist():
        if int(number[row]) != last:
            last = int(number[row])
            seen.clear()
        key = (int(places[row]), int(table.code[row]), int(table.tick_offset[row]), table.payload(row))
        copies[row] = key in seen
        seen.add(key)
    return copies


def without_copies_of(table: FrameTable) -> FrameTable:
    """``table``, in which all frames of a number are together, without those that a second copy of their block
    repeats."""
    copies = copies_of(table)
    return table.taken(~copies) if copies.any() else table
