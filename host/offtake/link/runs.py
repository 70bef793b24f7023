"""Which runs a logger's journal holds, found by reading a few of its blocks."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.generated.records import BlockHeader, Status
from offtake.journal.codec import block_status, read_block_header
from offtake.link.desk import Desk
from offtake.link.window import WindowReader

_NEIGHBOURS = 16
"""Blocks looked at around a damaged one before a stretch is taken as it is."""


@dataclass(frozen=True)
class RunSeen:
    """A run and the numbers of the first and last of its blocks that were found."""

    run: int
    first_block: int
    last_block: int


def list_runs(desk: Desk) -> list[RunSeen]:
    """The runs of the journal on the logger's card, oldest first.

    Run numbers grow with block numbers, so a few looks for each run's beginning will do. Where blocks are damaged
    or missing, a run begins or ends at the nearest block that is not. Wrapped journals begin at the oldest block.
    """
    description = desk.describe()
    lap = description.journal_blocks - 1
    if lap < 1 or description.next_block <= 1:
        return []
    finder = _Finder(WindowReader(desk), lap, description.journal_id)
    first = finder.seek(max(1, description.next_block - lap), description.next_block, 1)
    last = finder.seek(description.next_block - 1, 0, -1)
    if first is None or last is None:
        return []
    found: list[RunSeen] = []
    begin = first
    while begin.run_number != last.run_number:
        end, following = finder.border(begin, last)
        found.append(RunSeen(begin.run_number, begin.block_number, end.block_number))
        begin = following
    found.append(RunSeen(begin.run_number, begin.block_number, last.block_number))
    return found


class _Finder:
    """Looks at blocks by their number."""

    def __init__(self, reader: WindowReader, lap: int, journal_id: int) -> None:
        self._reader = reader
        self._lap = lap
        self._journal_id = journal_id
        self._known: dict[int, BlockHeader | None] = {}

    def at(self, number: int) -> BlockHeader | None:
        """The block of this number, or None where it is damaged, missing or another's."""
        if number not in self._known:
            block = self._reader.read_blocks(1 + (number - 1) % self._lap, 1)
            seen = read_block_header(block)
            good = block_status(block, self._journal_id) is Status.OK and seen.block_number == number
            self._known[number] = seen if good else None
        return self._known[number]

    def seek(self, start: int, stop: int, step: int) -> BlockHeader | None:
        """The first good block from ``start`` on, before ``stop``, within a few."""
        end = start + step * _NEIGHBOURS
        bound = min(stop, end) if step > 0 else max(stop, end)
        return next((seen for number in range(start, bound, step) if (seen := self.at(number))), None)

    def border(self, low: BlockHeader, high: BlockHeader) -> tuple[BlockHeader, BlockHeader]:
        """The last good block of ``low``'s run, and the first good one of a later run, at or before ``high``."""
        while True:
            middle = (low.block_number + high.block_number) // 2
            found = self.seek(middle, high.block_number, 1) if middle > low.block_number else None
            found = found or self.seek(min(middle, high.block_number - 1), low.block_number, -1)
            if found is None:
                return low, high
            if found.run_number == low.run_number:
                low = found
            else:
                high = found
