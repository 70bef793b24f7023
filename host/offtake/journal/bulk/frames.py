"""A table of frames: a row for each, a column for each of its fields."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import BLOCK_SIZE, FRAME_CHECK_SIZE
from offtake.journal.bulk.arrays import Bools, Ints, Ints32
from offtake.journal.codec import U32_MAX
from offtake.journal.frames import Frame

NONE = -1
"""What a column has where the frame's own field is None."""


@dataclass(eq=False)
class FrameTable:
    """Frames, in order; every column has shape (m,) and tells what the field of :class:`Frame` does, -1 for None.

    ``data`` is what ``at`` (where the frame begins) and ``payload_at`` index into. ``position`` is its block's place
    in the file, ``number`` the block's number. ``intact`` says whether the block is.
    """

    data: bytes
    journal_id: int
    position: Ints
    at: Ints
    size: Ints32
    number: Ints
    code: NDArray[np.uint8]
    tick_offset: Ints
    tick: Ints
    run: Ints32
    header_run: Ints32
    header_tick: Ints
    payload_at: Ints
    payload_size: Ints32
    intact: Bools
    after_damage: Bools

    def __len__(self) -> int:
        return int(self.at.size)

    @property
    def place(self) -> Ints:
        """Where each frame begins inside its block."""
        return self.at % BLOCK_SIZE

    @property
    def offset(self) -> Ints:
        """Where each frame begins in the file."""
        return self.position * BLOCK_SIZE + self.place

    @property
    def likely_run(self) -> Ints32:
        """The run, or what the unchecked header says."""
        return np.where(self.run == NONE, self.header_run, self.run)

    @property
    def likely_tick(self) -> Ints:
        """The tick, or what the unchecked header gives."""
        return np.where(self.tick == NONE, self.header_tick, self.tick)

    def payload(self, row: int) -> bytes:
        """One payload."""
        begin = int(self.payload_at[row])
        return self.data[begin : begin + int(self.payload_size[row])]

    def frame(self, row: int) -> Frame:
        """One row as :mod:`offtake.journal.frames` gives it."""
        return next(self.taken(np.array([row])).frames())

    def frames(self) -> Iterator[Frame]:
        """All rows as :mod:`offtake.journal.frames` gives them."""
        data = self.data
        ends = self.payload_at + self.payload_size
        columns = (
            *(self.position, self.offset, self.size, self.number, self.code, self.tick_offset, self.payload_at, ends),
            *(self.run, self.tick, self.header_run, self.header_tick, self.intact, self.after_damage),
        )
        for row in zip(*(column.tolist() for column in columns), strict=True):
            position, offset, size, number, code, tick_offset, begin, end, run, tick, header_run, header_tick = row[:12]
            intact, after_damage = row[12:]
            yield Frame(
                position, offset, size, self.journal_id, number, code, tick_offset, data[begin:end],
                None if run == NONE else run, None if tick == NONE else tick,
                None if header_run == NONE else header_run, None if header_tick == NONE else header_tick,
                intact, after_damage,
            )  # fmt: skip

    def taken(self, rows: NDArray[np.int64] | Bools) -> FrameTable:
        """The table with only those of its rows, by index or by True; the same ``data``."""
        return FrameTable(self.data, self.journal_id, *(getattr(self, name)[rows] for name in COLUMNS))


COLUMNS = tuple(one.name for one in fields(FrameTable))[2:]
"""Names of the columns of a FrameTable."""
_DTYPES = {"size": np.int32, "code": np.uint8, "run": np.int32, "header_run": np.int32, "payload_size": np.int32,
           "intact": np.bool_, "after_damage": np.bool_}  # fmt: skip


def no_frames(data: bytes, journal_id: int) -> FrameTable:
    """A table without rows."""
    return table_of((), data, journal_id, ())


def table_of(frames: Iterable[Frame], data: bytes, journal_id: int, bases: Sequence[int]) -> FrameTable:
    """Frames as a table: ``bases`` tells of each where its block begins in ``data``."""
    rows = [_row(frame, base) for frame, base in zip(frames, bases, strict=True)]
    columns = zip(*rows, strict=True) if rows else ((),) * len(COLUMNS)
    arrays: list[Any] = [
        np.array(column, _DTYPES.get(name, np.int64)) for name, column in zip(COLUMNS, columns, strict=True)
    ]
    return FrameTable(data, journal_id, *arrays)


def _row(frame: Frame, base: int) -> tuple[int, ...]:
    at = base + frame.offset % BLOCK_SIZE
    size = len(frame.payload)
    payload_at = at + frame.size - FRAME_CHECK_SIZE - size
    run, tick, header_run, header_tick = (
        NONE if value is None else value for value in (frame.run, frame.tick, frame.header_run, frame.header_tick)
    )
    return (frame.position, at, frame.size, frame.block_number, frame.code, frame.tick_offset, tick, run, header_run,
            header_tick, payload_at, size, frame.block_intact, frame.after_damage)  # fmt: skip


def joined(tables: Sequence[FrameTable]) -> FrameTable:
    """The rows of several tables of the same ``data``, one table's after the other's."""
    first = tables[0]
    columns = (np.concatenate([getattr(table, name) for table in tables]) for name in COLUMNS)
    return FrameTable(first.data, first.journal_id, *columns)


def packed(table: FrameTable) -> FrameTable:
    """The same rows with no more data than their blocks."""
    blocks, index = np.unique(table.at // BLOCK_SIZE, return_inverse=True)
    data = b"".join(table.data[begin : begin + BLOCK_SIZE] for begin in (blocks * BLOCK_SIZE).tolist())
    moved = index * BLOCK_SIZE - table.at // BLOCK_SIZE * BLOCK_SIZE
    return replace(table, data=data, at=table.at + moved, payload_at=table.payload_at + moved)


def absolute_ticks(open_tick: Ints, tick_offset: Ints) -> Ints:
    """Ticks modulo 2^32."""
    return (open_tick + tick_offset) & U32_MAX
