"""Where every byte of a journal's file went."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Status
from offtake.journal.bulk.arrays import Bools
from offtake.journal.bulk.passage import FileWindow
from offtake.journal.bulk.window import KINDS, BlockTable
from offtake.journal.scan import Kind

_EXTENTS_MAX = 10_000

_OUT_OF_PLACE, _WHOLE, _PART = len(KINDS), len(KINDS) + 1, len(KINDS) + 2
_REASONS = {
    **{index: {Kind.FILL: "fill", Kind.FOREIGN: "foreign_journal", Kind.TORN: "torn_end"}.get(kind, "damaged")
       for index, kind in enumerate(KINDS)},
    _OUT_OF_PLACE: "out_of_place",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class SkippedExtent:
    """Bytes of the source that gave nothing, and why."""

    offset: int
    length: int
    reason: str


@dataclass
class Account:
    """Where every byte of the source went: ``recovered + skipped_bytes == size``.

    ``frame_bytes`` are those of recovered frames, head to check; ``structure_bytes`` those of the journal's header
    and of intact blocks around their frames. ``skipped`` sums bytes by reason; ``extents`` lists them in file order,
    up to a limit, past which ``extents_left_out`` counts.
    """

    size: int
    frames: int = 0
    frame_bytes: int = 0
    structure_bytes: int = 0
    skipped: dict[str, int] = field(default_factory=dict)
    extents: list[SkippedExtent] = field(default_factory=list)
    extents_left_out: int = 0

    @property
    def recovered(self) -> int:
        """Bytes of frames and of verified structure."""
        return self.frame_bytes + self.structure_bytes

    @property
    def skipped_bytes(self) -> int:
        """Bytes that gave nothing."""
        return sum(self.skipped.values())

    def skip(self, offset: int, length: int, reason: str, pieces: int = 1) -> None:
        """Note an extent, or so many neighbouring ones alike; it grows the one before where it joins it for the same
        reason."""
        if not length:
            return
        self.skipped[reason] = self.skipped.get(reason, 0) + length
        last = self.extents[-1] if self.extents else None
        if last and last.reason == reason and last.offset + last.length == offset and not self.extents_left_out:
            self.extents[-1] = SkippedExtent(last.offset, last.length + length, reason)
        elif len(self.extents) < _EXTENTS_MAX:
            self.extents.append(SkippedExtent(offset, length, reason))
        else:
            self.extents_left_out += pieces


@dataclass
class Bookkeeper:
    """Fills ``account`` with the windows of one passage over the file, of which block 0 has ``header_status``."""

    account: Account
    header_status: Status

    def add(self, window: FileWindow, blocks_in: Bools, damaged_in: Bools) -> None:
        """Take in a window, in file order; of its intact blocks those count that ``blocks_in`` marks, and of the frames
        in damaged ones those that ``damaged_in`` marks."""
        blocks = window.blocks
        what = blocks.kind.astype(np.int64)
        what[blocks.intact] = _WHOLE
        what[blocks.intact & (window.unexplained > 0)] = _PART
        what[window.damaged.at[damaged_in] // BLOCK_SIZE] = _PART
        what[~blocks_in] = _OUT_OF_PLACE
        counted = blocks.intact & blocks_in
        used = int(blocks.used[counted].sum(dtype=np.int64))
        self.account.structure_bytes += int(np.count_nonzero(counted)) * BLOCK_SIZE - used
        admitted = window.frames.size
        if not blocks_in.all():
            admitted = admitted[blocks_in[window.frames.at // BLOCK_SIZE]]
        sizes = (admitted, window.damaged.size[damaged_in])
        self.account.frames += sum(len(one) for one in sizes)
        self.account.frame_bytes += sum(int(one.sum(dtype=np.int64)) for one in sizes)
        self._skip(window, what, damaged_in)

    def _skip(self, window: FileWindow, what: np.ndarray, damaged_in: Bools) -> None:
        """Note what gave nothing: whole blocks, stretch by stretch, and what lies between the frames of others."""
        blocks = window.blocks
        parts = np.flatnonzero((np.diff(what) != 0) | (what[1:] == _PART)) + 1
        begins = [0, *parts.tolist()]
        ends = [*parts.tolist(), len(blocks)]
        spans = {} if not (what == _PART).any() else _spans(window, what, damaged_in)
        for begin, end in zip(begins, ends, strict=True):
            kind = int(what[begin])
            if kind == _WHOLE:
                continue
            offset = int(blocks.position[begin]) * BLOCK_SIZE
            if kind == _PART:
                self._skip_between(blocks, begin, spans.get(begin, []))
            elif offset == 0 and kind != _OUT_OF_PLACE:
                # Block 0, where it is no header and not intact, is a matter of its own.
                first = min(BLOCK_SIZE, len(blocks.data))
                self.account.skip(0, first, f"header_{self.header_status.name.lower()}")
                self._skip_blocks(blocks, begin + 1, end, kind)
            else:
                self._skip_blocks(blocks, begin, end, kind)

    def _skip_blocks(self, blocks: BlockTable, begin: int, end: int, kind: int) -> None:
        length = min(end * BLOCK_SIZE, len(blocks.data)) - begin * BLOCK_SIZE
        if length > 0:
            offset = int(blocks.position[begin]) * BLOCK_SIZE
            self.account.skip(offset, length, _REASONS[kind], end - begin)

    def _skip_between(self, blocks: BlockTable, index: int, frames: list[tuple[int, int]]) -> None:
        """Of a block that is neither all good nor all lost; ``frames`` are where its frames begin in the file, and how
        long they are."""
        intact = bool(blocks.intact[index])
        reason = _REASONS[int(blocks.kind[index])]
        begin = int(blocks.position[index]) * BLOCK_SIZE
        if begin == 0 and not intact:
            reason = f"header_{self.header_status.name.lower()}"
        at = begin + (BLOCK_HEADER_SIZE if intact else 0)
        end = at + int(blocks.used[index]) if intact else begin + len(blocks.block(index))
        for offset, size in frames:
            self.account.skip(at, offset - at, reason)
            at = offset + size
        self.account.skip(at, end - at, reason)


def _spans(window: FileWindow, what: np.ndarray, damaged_in: Bools) -> dict[int, list[tuple[int, int]]]:
    """Of each block that is good in part, by its index: where its frames begin in the file, and their sizes."""
    found: dict[int, list[tuple[int, int]]] = {}
    for table, chosen in ((window.frames, None), (window.damaged, damaged_in)):
        index = table.at // BLOCK_SIZE
        wanted = what[index] == _PART
        rows = np.flatnonzero(wanted if chosen is None else wanted & chosen)
        columns = (index[rows], table.offset[rows], table.size[rows])
        for block, offset, size in zip(*(column.tolist() for column in columns), strict=True):
            found.setdefault(block, []).append((offset, size))
    return found
