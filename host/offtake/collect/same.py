"""Whether files that name one journal hold one recording: told by the checks of the blocks that both have.

A block that is finished is never written again, so of one recording all blocks of a number are alike, in every copy.
Cards that were cloned after they had been prepared name one journal too, and differ from their first blocks on.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from offtake.card import open_journal
from offtake.collect.find import Candidate, Reach
from offtake.collect.manifest import JournalEntry
from offtake.errors import OfftakeError
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.arrays import Bools
from offtake.journal.bulk.window import BlockTable, scan_blocks
from offtake.journal.codec import CHECK_AT

RUNGS = 64
Copy: TypeAlias = tuple[Candidate, Reach]
Keys: TypeAlias = NDArray[np.uint64]
"""Of intact blocks: number * 2^32 + check."""
_CHECK_BITS = np.uint64(32)


class Seals:
    """The blocks of a recording, as their :data:`Keys`, in any order; sorted in place."""

    def __init__(self, keys: Keys) -> None:
        self._keys = keys
        self._keys.sort()

    def contradict(self, table: BlockTable) -> bool:
        """Whether an intact block in ``table``, of a number that is here too, is none of those here.

        What is damaged on either side says nothing, nor do laps that have no number in common.
        """
        keys = keys_of(table)
        if not self._keys.size or not keys.size:
            return False
        known = self._first_from(keys >> _CHECK_BITS << _CHECK_BITS) >> _CHECK_BITS == keys >> _CHECK_BITS
        alike: Bools = self._first_from(keys) == keys
        return bool((known & ~alike).any())

    def _first_from(self, keys: Keys) -> Keys:
        """The first of ours that is not below each key; the last of all where there is none."""
        return self._keys[np.minimum(np.searchsorted(self._keys, keys), self._keys.size - 1)]


class Ladder:
    """Number and check of some blocks of a journal, for the day when its file is gone: the ``newest``, and others
    about evenly spread over as many as ``blocks``; at most twice :data:`RUNGS` and one."""

    def __init__(self, newest: int, blocks: int) -> None:
        self._newest = newest
        self._step = 1 << (max(0, min(newest, blocks) - 1) // RUNGS).bit_length()
        self._rungs: dict[int, int] = {}

    def add(self, table: BlockTable) -> None:
        """Take in blocks of the journal; of a number that comes again the first counts."""
        number = table.number
        near = (number <= self._newest) & (number > self._newest - 2 * RUNGS * self._step)
        for key in keys_of(table, near & ((number % self._step == 0) | (number == self._newest))).tolist():
            self._rungs.setdefault(key >> 32, key & 0xFFFF_FFFF)

    def rungs(self) -> tuple[tuple[int, int], ...]:
        """Block numbers, rising, each with the block's check."""
        return tuple(sorted(self._rungs.items()))


def keys_of(table: BlockTable, chosen: Bools | None = None) -> Keys:
    """Of the intact blocks of a window, in file order; of those ``chosen``, shape (n,), alone."""
    rows = np.flatnonzero(table.intact if chosen is None else table.intact & chosen)
    checks = np.ndarray((len(table.data) // BLOCK_SIZE,), "<u4", table.data, CHECK_AT, (BLOCK_SIZE,))
    keys: Keys = (table.number[rows].astype(np.uint64) << _CHECK_BITS) | checks[rows].astype(np.uint64)
    return keys


def seals_of(copy: Copy) -> Seals:
    """The seals of a file, 8 bytes a block; none where it cannot be read."""
    candidate, reach = copy
    stop = -(-reach.used_bytes // BLOCK_SIZE)
    keys, count = np.zeros(stop, np.uint64), 0
    try:
        with open_journal(Path(candidate.path)) as opened:
            for table in scan_blocks(opened, reach.journal_id, 0, stop):
                found = keys_of(table)
                keys[count : count + found.size] = found
                count += found.size
    except OfftakeError:
        count = 0
    return Seals(keys[:count])


def others_among(copies: Iterable[Copy], fresh: Collection[str], before: JournalEntry | None) -> list[tuple[Copy, str]]:
    """Of the files that name one journal, those that hold another recording than the one to be kept, each with the
    path of a file that holds it: the one taken ``before``, else the one in the first file by path.

    Only those in ``fresh`` are looked at; of the others it was found out before. One that cannot be read is none.
    """
    order = sorted(
        copies, key=lambda one: (before is None or one[0].path != before.path, one[0].path in fresh, one[0].path)
    )
    taken = [(before.path, _seals_of_rungs(before))] if before is not None and before.seals else []
    kept: list[Copy] = []
    others: list[tuple[Copy, str]] = []
    base: tuple[Copy, Seals] | None = None
    for copy in order:
        if copy[0].path in fresh and (kept or taken):
            # All that are kept hold the same, so the one that reaches furthest stands for them.
            furthest = max(kept, key=lambda one: one[1].newest, default=None)
            if furthest is not None and (base is None or base[0] is not furthest):
                base = None  # not two of them in memory
                base = furthest, seals_of(furthest)
            found = _contradicted(copy, [*taken, *([(base[0][0].path, base[1])] if base else [])])
            if found is not None:
                others.append((copy, found))
                continue
        kept.append(copy)
    return others


def _seals_of_rungs(entry: JournalEntry) -> Seals:
    return Seals(np.array([number << 32 | check for number, check in entry.seals], np.uint64))


def _contradicted(copy: Copy, known: Sequence[tuple[str, Seals]]) -> str | None:
    """The path of a file in which a block is another than here."""
    candidate, reach = copy
    try:
        with open_journal(Path(candidate.path)) as opened:
            for table in scan_blocks(opened, reach.journal_id, 0, -(-reach.used_bytes // BLOCK_SIZE)):
                for path, seals in known:
                    if seals.contradict(table):
                        return path
    except OfftakeError:
        return None
    return None
