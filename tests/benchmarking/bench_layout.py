"""Ten seconds of a logger's frames laid into blocks once, and then any number of such stretches with other numbers.

A *stretch* is 10 s of a recording. Its bytes are worked out once, frame by frame, as the logger does it; a journal
repeats them, with ticks, block numbers, the receiver's digits and all checks put right for each stretch by NumPy.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    BLOCK_SPACE,
    BLOCK_VERSION,
    FRAME_CHECK_SIZE,
    FRAME_HEAD_SIZE,
    BlockHeader,
    Raw,
    RawMore,
)
from offtake.journal.codec import CHECK_AT, encode_frame, encode_tick

Bytes = NDArray[np.uint8]
Longs = NDArray[np.int64]
Words = NDArray[np.uint32]

TICKS_PER_S = 250_000
STRETCH_S = 10
STRETCH_TICKS = STRETCH_S * TICKS_PER_S
BITS_PER_BYTE = 10
_SHORT_BODY = 32
"""Frames up to this size have their checks made together, a byte of each at a time; longer ones one by one."""
_FIELDS = {name: int(place[1]) for name, place in (BlockHeader.DTYPE.fields or {}).items()}


@dataclass(frozen=True)
class Burst:
    """Bytes ``start`` to ``stop`` of the stretch's line, back to back; the first one ends at ``tick``."""

    tick: int
    start: int
    stop: int


@dataclass(frozen=True)
class ShelfFrame:
    """A frame of the logger's own beside the line: its message, when, and its payload in the first stretch."""

    code: int
    tick: int
    payload: bytes


@dataclass
class Layout:
    """Where everything of a stretch lies. ``template`` is its blocks; offsets count from its first byte.

    ``line_at`` has the place of each byte of the line, ``shelf_at`` of each shelf frame's payload; ``frame_block``,
    ``frame_at``, ``check_at``: each frame's block, first byte and check. ``open_tick``: each block's.
    """

    template: Bytes
    line_at: Longs
    shelf_at: Longs
    frame_block: Longs
    frame_at: Longs
    check_at: Longs
    open_tick: Longs

    @property
    def blocks(self) -> int:
        """Blocks of a stretch."""
        return len(self.open_tick)


def lay_out(line: bytes, bursts: list[Burst], shelf: list[ShelfFrame], baud: int) -> Layout:
    """Fill blocks with a stretch's line and frames in the order of their ticks, the shelf's first in each block."""
    filler = _Filler()
    waiting = sorted(range(len(shelf)), key=lambda index: shelf[index].tick)
    ticks_per_byte = BITS_PER_BYTE * TICKS_PER_S / baud
    for burst in bursts:
        for at in range(burst.start, burst.stop):
            tick = burst.tick + int((at - burst.start) * ticks_per_byte)
            while waiting and shelf[waiting[0]].tick <= tick:
                index = waiting.pop(0)
                filler.put_shelf(index, shelf[index])
            filler.put_byte(at, tick)
        filler.end_burst()
    for index in waiting:
        filler.put_shelf(index, shelf[index])
    return _written(line, shelf, [*filler.full, filler.block])


@dataclass
class _Piece:
    """Bytes ``start`` to ``stop`` of the line as one frame."""

    code: int
    tick: int
    start: int
    stop: int


@dataclass
class _Block:
    """A block that is being filled. ``late``: bytes that frames from the shelf took after the block's line began."""

    open_tick: int
    shelf: list[int] = field(default_factory=list)
    pieces: list[_Piece] = field(default_factory=list)
    used: int = 0
    late: int = 0


class _Filler:
    """Fills one block after the other, in order of time."""

    def __init__(self) -> None:
        self.full: list[_Block] = []
        self.block = _Block(0)
        self._piece: _Piece | None = None
        self._more = 0

    def put_shelf(self, index: int, frame: ShelfFrame) -> None:
        """A frame from the shelf; it goes before the line's pieces, in a new block where this one has no room."""
        size = self._make_room(frame.tick, len(frame.payload))
        self.block.shelf.append(index)
        self.block.used += size
        if self._piece is not None:
            self.block.late += size

    def put_byte(self, at: int, tick: int) -> None:
        """Byte ``at`` of the line, in the open piece or a new one."""
        cut = self._piece is not None and self.block.used == BLOCK_SPACE
        if self._piece is None or cut or (self._piece.code == RawMore.CODE and not self._more):
            late = self.block.late if cut else 0
            size = self._make_room(tick, 1) - 1
            self.block.used += size
            # The interrupt had planned its cut for where the block would have been full without the late frames.
            self._more = late
            self._piece = _Piece(RawMore.CODE if late else Raw.CODE, tick, at, at)
            self.block.pieces.append(self._piece)
        self._piece.stop = at + 1
        self.block.used += 1
        self._more = max(0, self._more - 1)

    def end_burst(self) -> None:
        """The line pauses."""
        self._piece, self._more, self.block.late = None, 0, 0

    def _make_room(self, tick: int, payload: int) -> int:
        """The size of a frame at ``tick``, for which the open block now has room."""
        if self.block.used:
            size = FRAME_HEAD_SIZE + len(encode_tick(tick - self.block.open_tick)) + payload + FRAME_CHECK_SIZE
            if self.block.used + size <= BLOCK_SPACE:
                return size
            self.full.append(self.block)
        self.block, self._piece = _Block(tick), None
        return FRAME_HEAD_SIZE + 1 + payload + FRAME_CHECK_SIZE


def _written(line: bytes, shelf: list[ShelfFrame], blocks: list[_Block]) -> Layout:
    template = np.zeros(len(blocks) * BLOCK_SIZE, dtype=np.uint8)
    line_at = np.full(len(line), -1, dtype=np.int64)
    shelf_at = np.full(len(shelf), -1, dtype=np.int64)
    frames: list[tuple[int, int, int]] = []
    for number, block in enumerate(blocks):
        first = number * BLOCK_SIZE
        at = first + BLOCK_HEADER_SIZE
        todo = [(shelf[index].code, shelf[index].tick, shelf[index].payload, index, -1) for index in block.shelf]
        todo += [(one.code, one.tick, line[one.start : one.stop], -1, one.start) for one in block.pieces]
        for code, tick, payload, index, start in todo:
            content = encode_frame(code, tick - block.open_tick, payload, 0, 0)
            check_at = at + len(content) - FRAME_CHECK_SIZE
            payload_at = check_at - len(payload)
            template[at : at + len(content)] = np.frombuffer(content, dtype=np.uint8)
            if index >= 0:
                shelf_at[index] = payload_at
            else:
                line_at[start : start + len(payload)] = np.arange(payload_at, check_at)
            frames.append((number, at, check_at))
            at = check_at + FRAME_CHECK_SIZE
        used = at - first - BLOCK_HEADER_SIZE
        header = BlockHeader(used, BLOCK_VERSION, 0, 1, 0, 0).encode()
        template[first : first + BLOCK_HEADER_SIZE] = np.frombuffer(header, dtype=np.uint8)
    table = np.array(frames, dtype=np.int64).reshape(-1, 3)
    opened = np.array([block.open_tick for block in blocks], dtype=np.int64)
    return Layout(template, line_at, shelf_at, table[:, 0], table[:, 1], table[:, 2], opened)


def number_blocks(layout: Layout, tile: Bytes, journal_id: int, run: int, first_number: int, first_tick: int) -> None:
    """Write the headers of stretches ``tile``, shape (k, blocks * 512): numbers and ticks go on from the first."""
    k = len(tile)
    starts = np.arange(layout.blocks) * BLOCK_SIZE
    numbers = first_number + np.arange(k * layout.blocks).reshape(k, -1)
    ticks = first_tick + STRETCH_TICKS * np.arange(k)[:, np.newaxis] + layout.open_tick
    for name, values, kind in (
        ("journal_id", np.full((k, layout.blocks), journal_id), "<u4"),
        ("block_number", numbers, "<u4"),
        ("run_number", np.full((k, layout.blocks), run), "<u2"),
        ("open_tick", ticks % 2**32, "<u4"),
    ):
        pieces = np.ascontiguousarray(values.astype(kind)).view(np.uint8).reshape(k, layout.blocks, -1)
        for index in range(pieces.shape[2]):
            tile[:, starts + _FIELDS[name] + index] = pieces[:, :, index]


def seal_frames(layout: Layout, tile: Bytes, journal_id: int, first_number: int) -> None:
    """Put every frame's check right, then every block's."""
    k = len(tile)
    seeds = np.empty((k * layout.blocks, 2), dtype="<u4")
    seeds[:, 0] = journal_id
    seeds[:, 1] = first_number + np.arange(k * layout.blocks)
    start = many_crc32(seeds.view(np.uint8), np.zeros(len(seeds), dtype=np.uint32)).reshape(k, layout.blocks)
    sizes = layout.check_at - layout.frame_at
    checks = np.empty((k, len(sizes)), dtype="<u4")
    for size in np.unique(sizes[sizes <= _SHORT_BODY]):
        rows = np.flatnonzero(sizes == size)
        body = tile[:, layout.frame_at[rows][:, np.newaxis] + np.arange(size)]
        checks[:, rows] = many_crc32(body.reshape(-1, size), start[:, layout.frame_block[rows]].ravel()).reshape(k, -1)
    rows = np.flatnonzero(sizes > _SHORT_BODY)
    places = list(zip(layout.frame_at[rows].tolist(), layout.check_at[rows].tolist(), strict=True))
    long_seeds = start[:, layout.frame_block[rows]].tolist()
    crc32 = zlib.crc32
    for index in range(k):
        view = memoryview(tile[index])
        checks[index, rows] = [
            crc32(view[at:end], seed) for (at, end), seed in zip(places, long_seeds[index], strict=True)
        ]
    pieces = checks.view(np.uint8).reshape(k, len(sizes), FRAME_CHECK_SIZE)
    for index in range(FRAME_CHECK_SIZE):
        tile[:, layout.check_at + index] = pieces[:, :, index]
    blocks = tile.reshape(-1, BLOCK_SIZE)
    whole = memoryview(blocks.reshape(-1))
    ends = [crc32(whole[at : at + CHECK_AT]) for at in range(0, blocks.size, BLOCK_SIZE)]
    blocks[:, CHECK_AT:] = np.array(ends, dtype="<u4").view(np.uint8).reshape(-1, FRAME_CHECK_SIZE)


def _crc_table() -> Words:
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, table >> 1 ^ np.uint32(0xEDB88320), table >> 1).astype(np.uint32)
    return table


_TABLE = _crc_table()


def many_crc32(rows: Bytes, seeds: Words) -> Words:
    """CRC-32/ISO-HDLC of each row, shape (n, size), going on from ``seeds`` (n,)."""
    crc = seeds.astype(np.uint32) ^ np.uint32(0xFFFFFFFF)
    for column in np.ascontiguousarray(rows.T):
        crc = _TABLE[(crc ^ column) & 0xFF] ^ crc >> 8
    return np.asarray(crc ^ np.uint32(0xFFFFFFFF))
