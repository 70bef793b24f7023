"""Blocks, a window at a time: what each is worth, as :func:`offtake.journal.scan.classify` has it."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_MAGIC,
    BLOCK_SIZE,
    BLOCK_SPACE,
    BLOCK_VERSION,
    BlockHeader,
    Status,
)
from offtake.journal.bulk.arrays import Bools, Bytes, Ints, Ints32
from offtake.journal.codec import CHECK_AT, read_block_header
from offtake.journal.scan import Kind, Seen
from offtake.journal.source import ByteSource
from offtake.native import kernels

WINDOW_BLOCKS = 4096
"""Blocks read at once: 2 MiB. What is made of more no longer lies in a processor's caches; fewer cost more calls."""

KINDS = tuple(Kind)
"""What the numbers in ``BlockTable.kind`` stand for."""
INTACT, DAMAGED, FOREIGN, FILL, TORN = (
    KINDS.index(kind) for kind in (Kind.INTACT, Kind.DAMAGED, Kind.FOREIGN, Kind.FILL, Kind.TORN)
)

_USED_BITS = BLOCK_SPACE.bit_length()
_USED_MASK = (1 << _USED_BITS) - 1
_WORD = 8
_ROW_WORDS = BLOCK_SIZE // _WORD
# Below the check, the last word of a block has this much that can be padding.
_LAST_WORD_MASK = np.uint64(2 ** (8 * (CHECK_AT % _WORD)) - 1)
_ERASED = (0x00, 0xFF)
_SEALED = struct.Struct(f"{CHECK_AT}s{BLOCK_SIZE - CHECK_AT}x")


@dataclass(eq=False)
class BlockTable:
    """Blocks one after the other in ``data``, each of BLOCK_SIZE bytes; the last may be short, torn.

    All columns have shape (n,). ``position`` is the place in the file, ``kind`` an index into :data:`KINDS`, ``status``
    the value of a Status. Intact and foreign blocks have the header's ``number``, ``run``, ``used`` (bytes) and
    ``open_tick``; of others number and used are 0, run and open_tick -1.
    """

    data: bytes
    journal_id: int | None
    position: Ints
    kind: NDArray[np.uint8]
    status: NDArray[np.uint8]
    number: Ints
    run: Ints32
    used: Ints32
    open_tick: Ints

    def __len__(self) -> int:
        return int(self.position.size)

    @property
    def intact(self) -> Bools:
        """Which blocks are intact ones of this journal."""
        intact: Bools = self.kind == INTACT
        return intact

    @property
    def shift(self) -> Ints:
        """Number less position; of use for intact blocks only."""
        return self.number - self.position

    def block(self, index: int) -> bytes:
        """The bytes of one block."""
        return self.data[index * BLOCK_SIZE : (index + 1) * BLOCK_SIZE]

    def seen(self, index: int) -> Seen:
        """One block as :func:`offtake.journal.scan.classify` gives it."""
        kind = KINDS[self.kind[index]]
        data = self.block(index)
        header = read_block_header(data) if kind in (Kind.INTACT, Kind.FOREIGN) else None
        return Seen(int(self.position[index]), kind, Status(int(self.status[index])), header, data)


def scan_blocks(
    source: ByteSource, journal_id: int | None, first: int, stop: int, at_once: int | None = None
) -> Iterator[BlockTable]:
    """The blocks from position ``first`` up to ``stop``, in file order, ``at_once`` (:data:`WINDOW_BLOCKS`) in memory.

    A source that returns less than its size promised ends there. Raises only what ``source.read`` raises.
    """
    position = first
    while position < stop:
        count = min(at_once or WINDOW_BLOCKS, stop - position)
        data = source.read(position * BLOCK_SIZE, count * BLOCK_SIZE)
        if data:
            blocks = -(-len(data) // BLOCK_SIZE)
            yield classify_blocks(data, np.arange(position, position + blocks, dtype=np.int64), journal_id)
        if len(data) < count * BLOCK_SIZE:
            return
        position += count


def classify_blocks(data: bytes, position: Ints, journal_id: int | None) -> BlockTable:
    """What blocks that lie one after the other in ``data`` are; ``position``, shape (n,), are their places in the file.

    Only the last one may be short.
    """
    total = position.size
    whole = len(data) // BLOCK_SIZE
    rows = np.frombuffer(data, np.uint8, whole * BLOCK_SIZE).reshape(whole, BLOCK_SIZE)
    status = np.full(total, Status.SHORT_INPUT, np.uint8)
    kind = np.full(total, TORN, np.uint8)
    table = BlockTable(
        data, journal_id, position, kind, status, np.zeros(total, np.int64), np.full(total, -1, np.int32),
        np.zeros(total, np.int32), np.full(total, -1, np.int64),
    )  # fmt: skip
    if whole:
        _fill_columns(table, rows)
    return table


def _fill_columns(table: BlockTable, rows: Bytes) -> None:
    whole = len(rows)
    header = np.ndarray((whole,), BlockHeader.DTYPE, rows.data, 0, (BLOCK_SIZE,))
    used = (header["form"] & _USED_MASK).astype(np.int32)
    number = header["block_number"].astype(np.int64)
    status = _statuses(table, rows, header, used, number)
    valid = (status == Status.OK) | (status == Status.FOREIGN_JOURNAL)
    kind = np.full(whole, DAMAGED, np.uint8)
    kind[status == Status.OK] = INTACT
    kind[status == Status.FOREIGN_JOURNAL] = FOREIGN
    unsure = np.flatnonzero(~valid & np.isin(rows[:, 0], _ERASED))
    kind[unsure[_one_byte_only(rows, unsure)]] = FILL
    table.status[:whole] = status
    table.kind[:whole] = kind
    if valid.all():
        table.number[:whole], table.used[:whole] = number, used
        table.run[:whole], table.open_tick[:whole] = header["run_number"], header["open_tick"]
        return
    at = np.flatnonzero(valid)
    table.number[at], table.used[at] = number[at], used[at]
    table.run[at], table.open_tick[at] = header["run_number"][at], header["open_tick"][at]


def _statuses(
    table: BlockTable, rows: Bytes, header: NDArray[np.void], used: Ints32, number: Ints
) -> NDArray[np.uint8]:
    """The verdicts of :func:`offtake.journal.codec.block_status`: what fails first counts, so the last comes first."""
    status = np.full(len(rows), Status.OK, np.uint8)
    if table.journal_id is not None:
        status[header["journal_id"] != table.journal_id] = Status.FOREIGN_JOURNAL
    status[~_padding_is_zero(rows, used)] = Status.BAD_PADDING
    status[number < 1] = Status.OUT_OF_RANGE
    status[used > BLOCK_SPACE] = Status.BAD_USED
    right_version = header["form"] >> _USED_BITS == BLOCK_VERSION
    right_magic = header["magic"] == BLOCK_MAGIC
    _check_seals(table.data, rows, np.flatnonzero(right_magic & right_version), status)
    status[~right_version] = Status.BAD_VERSION
    status[~right_magic] = Status.BAD_MAGIC
    return status


def _check_seals(data: bytes, rows: Bytes, at: Ints, status: NDArray[np.uint8]) -> None:
    fast = kernels()
    found = _seals(data, len(rows), at) if fast is None else fast.block_seals(data, len(rows))[at]
    stored = np.ndarray((len(rows),), "<u4", rows.data, CHECK_AT, (BLOCK_SIZE,))[at]
    status[at[found != stored]] = Status.BAD_BLOCK_CHECK


def _seals(data: bytes, blocks: int, at: Ints) -> NDArray[np.uint32]:
    crc32 = zlib.crc32
    if at.size == blocks:
        sealed = _SEALED.iter_unpack(memoryview(data)[: blocks * BLOCK_SIZE])
        crcs = [crc32(content) for (content,) in sealed]
    else:
        crcs = [crc32(data[begin : begin + CHECK_AT]) for begin in (at * BLOCK_SIZE).tolist()]
    return np.array(crcs, np.uint32)


def _padding_is_zero(rows: Bytes, used: Ints32) -> Bools:
    """Whether all bytes after the frames and before the check are 0; of use where ``used`` is possible."""
    words = rows.reshape(-1).view("<u8")
    row = np.arange(len(rows), dtype=np.int64) * _ROW_WORDS
    begins = np.minimum(BLOCK_HEADER_SIZE + used, CHECK_AT).astype(np.int64)
    first = begins // _WORD
    # The word in which the padding begins: its higher bytes are padding, in the last word those below the check.
    partial = words[row + first] >> (8 * (begins % _WORD)).astype(np.uint64)
    shifted_mask = _LAST_WORD_MASK >> (8 * (begins % _WORD)).astype(np.uint64)
    clean: Bools = np.where(first == _ROW_WORDS - 1, partial & shifted_mask, partial) == 0
    longer = np.flatnonzero(clean & (first < _ROW_WORDS - 1))
    if longer.size:
        last = row[longer] + _ROW_WORDS - 1
        clean[longer] &= words[last] & _LAST_WORD_MASK == 0
        bounds = np.stack([row[longer] + first[longer] + 1, last], axis=1)
        clean[longer] &= (np.bitwise_or.reduceat(words, bounds.reshape(-1))[::2] == 0) | (bounds[:, 0] == bounds[:, 1])
    return clean


def _one_byte_only(rows: Bytes, at: Ints) -> Bools:
    """Which of the rows ``at`` consist of one repeated byte."""
    words = rows.reshape(-1).view("<u8").reshape(len(rows), _ROW_WORDS)[at]
    same: Bools = (words == words[:, :1]).all(axis=1) & (rows[at, 1:_WORD] == rows[at, :1]).all(axis=1)
    return same
