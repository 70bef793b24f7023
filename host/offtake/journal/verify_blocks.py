"""Verify's look at the blocks, in the order of the file: what each is, and whether it lies where it belongs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from offtake.generated.records import JournalHeader, Status
from offtake.journal.bulk.arrays import Bools, Ints, Ints32
from offtake.journal.bulk.window import DAMAGED, KINDS, TORN, BlockTable
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.findings import Findings, Told


@dataclass
class BlockCounts:
    """Blocks of the file after its header, by what they are."""

    intact: int = 0
    damaged: int = 0
    foreign: int = 0
    fill: int = 0
    torn: int = 0


class Stretch(NamedTuple):
    """Neighbouring blocks that are damaged in the same way."""

    first: int
    last: int
    status: int


@dataclass
class BlockCheck:
    """Takes a part of the file, block by block.

    ``findings`` are those of the part but for the damaged stretch at its beginning, if it has one there, which may have
    begun before: that is ``head``. :meth:`end` gives the one at its end.
    """

    header: JournalHeader | None
    first: int
    counts: BlockCounts = field(default_factory=BlockCounts)
    findings: Findings = field(default_factory=Findings)
    head: Stretch | None = None
    _open: Stretch | None = None

    def add(self, blocks: BlockTable, unexplained: Ints32) -> None:
        """Take in the next blocks; ``unexplained`` are the bytes of each that are used and in no valid frame."""
        counted = blocks.position > 0
        found = np.bincount(blocks.kind[counted], minlength=len(KINDS))
        for kind, count in zip(KINDS, found.tolist(), strict=True):
            setattr(self.counts, kind.value, getattr(self.counts, kind.value) + count)
        damaged = np.flatnonzero((blocks.kind == DAMAGED) & counted)
        stretches = self._stretches(blocks, damaged)
        misplaced = np.flatnonzero(self._misplaced(blocks))
        bad = np.flatnonzero(unexplained > 0)
        torn = np.flatnonzero((blocks.kind == TORN) & counted)
        if not (stretches or misplaced.size or bad.size or torn.size):
            return
        first = np.array([one.first for one in stretches], dtype=np.int64)
        # A stretch is told of when the block behind it is seen, so before what is wrong with that.
        at_end = np.array([one.last + 1 for one in stretches], dtype=np.int64) - int(blocks.position[0])
        ended = dict(zip(at_end.tolist(), stretches, strict=True))
        position = blocks.position

        def misplaced_told(row: int) -> Told:
            number = int(blocks.number[row])
            return 1, "out_of_place", f"block {number} is out of its place, {self._place(number)}", 0

        def bad_told(row: int) -> Told:
            text = f"{unexplained[row]} bytes of an otherwise intact block belong to no valid frame"
            return 1, "bad_frame", text, 0

        def torn_told(row: int) -> Told:
            return 1, "torn_end", f"the file ends {len(blocks.block(row))} bytes into a block", 0

        self.findings.add_damage(
            [
                (at_end, first, lambda row: _stretch_told(ended[row])),
                (torn, position[torn], torn_told),
                (misplaced, position[misplaced], misplaced_told),
                (bad, position[bad], bad_told),
            ]
        )

    def end(self) -> Stretch | None:
        """The damaged stretch that reaches to the end of the part and has not been told of."""
        found, self._open = self._open, None
        return found

    def _stretches(self, blocks: BlockTable, damaged: Ints) -> list[Stretch]:
        """The stretches that end before or in these blocks; the one at their end stays open."""
        closed = []
        if damaged.size:
            position, status = blocks.position[damaged], blocks.status[damaged]
            parts = np.flatnonzero((np.diff(position) > 1) | (np.diff(status) != 0)) + 1
            firsts = np.concatenate(([0], parts))
            lasts = np.append(parts, damaged.size) - 1
            for first, last, status_at in zip(
                position[firsts].tolist(), position[lasts].tolist(), status[firsts].tolist(), strict=True
            ):
                stretch = Stretch(first, last, status_at)
                joined = _joined(self._open, stretch)
                if joined is None and self._open is not None:
                    closed.append(self._open)
                self._open = joined or stretch
        if self._open is not None and self._open.last < int(blocks.position[-1]):
            closed.append(self._open)
            self._open = None
        if closed and closed[0].first == self.first:
            self.head = closed.pop(0)
        return closed

    def _misplaced(self, blocks: BlockTable) -> Bools:
        if self.header is None:
            return np.zeros(len(blocks), dtype=np.bool_)
        misplaced: Bools = blocks.position != 1 + (blocks.number - 1) % (self.header.blocks - 1)
        return misplaced & blocks.intact

    def _place(self, number: int) -> int:
        return 1 + (number - 1) % (self.header.blocks - 1) if self.header is not None else 0


def _joined(one: Stretch | None, following: Stretch | None) -> Stretch | None:
    """One stretch of two, where the second goes on where the first ends and is damaged in the same way."""
    if one is None or following is None or following.first != one.last + 1 or following.status != one.status:
        return None
    return Stretch(one.first, following.last, one.status)


def tell_parts(told: Findings, parts: Sequence[BlockCheck]) -> None:
    """Add what was found in the parts of a file, in its order; a damaged stretch may go on from one into the next."""
    waiting: Stretch | None = None
    for part in parts:
        waiting = _tell_but_last(told, waiting, part.head)
        if part.findings.damage:
            _tell(told, waiting)
            waiting = None
            told.join(part.findings)
        waiting = _tell_but_last(told, waiting, part.end())
    _tell(told, waiting)


def _tell_but_last(told: Findings, one: Stretch | None, following: Stretch | None) -> Stretch | None:
    """What of two stretches may still go on; what may not is told."""
    if following is None:
        return one
    joined = _joined(one, following)
    if joined is None:
        _tell(told, one)
    return joined or following


def _tell(told: Findings, stretch: Stretch | None) -> None:
    if stretch is not None:
        blocks, reason, text, _ = _stretch_told(stretch)
        told.add("damage", stretch.first, blocks, reason, text)


def _stretch_told(stretch: Stretch) -> Told:
    status = Status(stretch.status)
    return stretch.last - stretch.first + 1, status.name.lower(), f"damaged: {STATUS_WORDS[status]}", 0
