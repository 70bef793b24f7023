"""How readers found their way about a file block by block, before tables: part of the oracle."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.journal.scan import Kind, Seen, block_total
from offtake.journal.source import ByteSource
from scalar_scan import CHUNK_BLOCKS, walk

_AHEAD_BLOCKS = 4


@dataclass(slots=True)
class Stretch:
    """Positions at which content with one shift lies; ``before`` is the intact block ahead of the first."""

    first: int
    last: int
    before: Seen | None


class Stretches:
    """Where in the file each shift between number and position occurs: by it, blocks are read in number order."""

    # Real journals show one or two, and one more for each place where a copy lost sectors. An untrusted file may
    # show as many as it has blocks.
    SHIFTS_MAX = 64

    def __init__(self) -> None:
        self._by_shift: dict[int, Stretch] = {}

    def add(self, shift: int, position: int, before: Seen | None) -> bool:
        """Note content with ``shift`` at ``position``, in file order; False when there are too many shifts."""
        known = self._by_shift.get(shift)
        if known is not None:
            known.last = max(known.last, position)
        elif len(self._by_shift) < self.SHIFTS_MAX:
            self._by_shift[shift] = Stretch(position, position, before)
        else:
            return False
        return True

    def in_order(self) -> list[tuple[int, Stretch]]:
        """Shifts from the oldest content to the newest."""
        return sorted(self._by_shift.items())

    @property
    def at_once(self) -> int:
        """Blocks to read at once for each shift, so that all of them together take no more memory than one."""
        return max(1, CHUNK_BLOCKS // max(1, len(self._by_shift)))


class NextIntact:
    """Finds the intact block after a position; remembers it, so that a damaged stretch is read ahead once."""

    def __init__(self, source: ByteSource, journal_id: int | None) -> None:
        self._source = source
        self._journal_id = journal_id
        self._from = 0
        self._found: Seen | None = None
        self._known = False

    def after(self, position: int) -> Seen | None:
        """The first intact block past ``position``, or None."""
        inside = self._known and position >= self._from
        if inside and (self._found is None or self._found.position > position):
            return self._found
        self._from, self._known = position, True
        stop = block_total(self._source)
        # It is mostly the very next one.
        ahead = walk(self._source, self._journal_id, position + 1, stop, _AHEAD_BLOCKS)
        self._found = next((seen for seen in ahead if seen.kind is Kind.INTACT), None)
        return self._found
