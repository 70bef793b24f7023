"""The frames of intact blocks: the first of every block, then the second of every block, and so on."""

from __future__ import annotations

import numpy as np

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_SIZE,
    FRAME_CHECK_SIZE,
    FRAME_CODE_BITS,
    FRAME_HEAD_SIZE,
    FRAME_LENGTH_BITS,
    FRAME_TICK_SIZE_MAX,
)
from offtake.journal.bulk.arrays import Bools, Ints, Ints32
from offtake.journal.bulk.checks import crc32_of, seeds_of
from offtake.journal.bulk.frames import FrameTable, absolute_ticks, joined, no_frames, table_of
from offtake.journal.bulk.window import BlockTable
from offtake.journal.codec import FRAME_LENGTH_MASK, U32_MAX
from offtake.journal.frames import frames_of_intact
from offtake.native import WalkedFrames, kernels

_FRAME_SIZE_MIN = FRAME_HEAD_SIZE + 1 + FRAME_CHECK_SIZE
_HEAD_BITS = 8 * FRAME_HEAD_SIZE
_WORD_SIZE = 8
_CODE_MAX = (1 << FRAME_CODE_BITS) - 1
_CODE_MASK = _CODE_MAX << FRAME_LENGTH_BITS

_TICK_SIZES = range(1, FRAME_TICK_SIZE_MAX + 1)
_EIGHTH_BITS = sum(1 << 8 * index for index in range(FRAME_TICK_SIZE_MAX))
# Times this, bit 8 i of a number moves to 32 + i, and no two products of single bits meet anywhere.
_SIDE_BIT = 32
_SIDE_BY_SIDE = sum(1 << _SIDE_BIT - 7 * index for index in range(FRAME_TICK_SIZE_MAX))
# By the bits that tell which bytes could be the last one: the first of these is.
_TICK_SIZE = np.array([(ends & -ends).bit_length() for ends in range(1 << FRAME_TICK_SIZE_MAX)])
# By size: the bits that count, and the least number that needs so many bytes, both with seven bits to the byte.
_GROUPS = np.array([0, *(sum(0x7F << 8 * index for index in range(size)) for size in _TICK_SIZES)])
_LEAST = np.array([0, 0, *(1 << 8 * size for size in range(1, FRAME_TICK_SIZE_MAX))])


def frames_of(blocks: BlockTable, checked: Bools | None = None) -> tuple[FrameTable, Ints32]:
    """The frames of the intact blocks, in their order, and of every block, shape (n,), the bytes that its header says
    are in use and that are in no valid frame (0 for other blocks).

    A block in which anything does not fit goes through :func:`~offtake.journal.frames.frames_of_intact`. ``checked``
    marks blocks of which all frames have passed their checks before: they are not checked again.
    """
    unexplained = np.zeros(len(blocks), np.int32)
    intact = np.flatnonzero(blocks.intact)
    if blocks.journal_id is None or not intact.size:
        return no_frames(blocks.data, blocks.journal_id or 0), unexplained
    found = _walked(blocks, intact, checked)
    odd = found.odd
    table, block = _table(blocks, found), found.block
    if odd.any():
        regular = table.taken(~odd[found.block])
        table = joined([regular, _odd_frames(blocks, np.flatnonzero(odd))])
        table = table.taken(np.argsort(table.at, kind="stable"))
        block = table.at // BLOCK_SIZE
    explained = np.bincount(block, weights=table.size, minlength=len(blocks))
    unexplained[intact] = blocks.used[intact] - explained[intact].astype(np.int32)
    return table, unexplained


def _walked(blocks: BlockTable, intact: Ints, checked: Bools | None) -> WalkedFrames:
    """The frames of the blocks ``intact``; in those that are not odd everything fits and all checks hold."""
    fast = kernels()
    if fast is not None:
        return fast.frames(blocks.data, intact, blocks.used[intact], len(blocks), blocks.journal_id or 0, checked)
    found = _parse(blocks, intact)
    found.odd[found.block[_failed_checks(blocks, found, checked)]] = True
    return found


def _parse(blocks: BlockTable, intact: Ints) -> WalkedFrames:
    # A frame's head and tick are at most seven bytes: one word that begins at any byte, gathered at once.
    words = np.ndarray((len(blocks.data) - _WORD_SIZE + 1,), "<i8", blocks.data, 0, (1,))
    odd = np.zeros(len(blocks), np.bool_)
    counts = np.zeros(len(blocks), np.int64)
    block = intact
    at = block * BLOCK_SIZE + BLOCK_HEADER_SIZE
    end = at + blocks.used[intact]
    steps: list[tuple[Ints, Ints, Ints]] = []
    while True:
        room = at <= end - _FRAME_SIZE_MIN
        if not room.all():
            odd[block[(end > at) & ~room]] = True
            block, at, end = block[room], at[room], end[room]
        if not at.size:
            break
        word: Ints = words[at]
        tick_size = _tick_sizes(word)
        next_at = at + tick_size + (word & FRAME_LENGTH_MASK) + (FRAME_HEAD_SIZE + FRAME_CHECK_SIZE)
        fits = (word & _CODE_MASK > 0) & (tick_size > 0) & (next_at <= end)
        if not fits.all():
            odd[block[~fits]] = True
            block, at, word, next_at, end = (column[fits] for column in (block, at, word, next_at, end))
        steps.append((block, at, word))
        counts[block] += 1
        at = next_at
    block = np.repeat(np.arange(len(blocks)), counts)
    # The k-th frame of a block comes k places after its first.
    firsts = np.cumsum(counts) - counts
    places, head = np.empty(block.size, np.int64), np.empty(block.size, np.int64)
    for index, (step_block, step_at, step_word) in enumerate(steps):
        rows = firsts.take(step_block) + index
        places[rows], head[rows] = step_at, step_word
    return _parts(block, places, head, odd)


def _parts(block: Ints, at: Ints, head: Ints, odd: Bools) -> WalkedFrames:
    """The parts of frames whose first eight bytes are ``head``; blocks with a tick not in its shortest form are odd."""
    tick_size = _tick_sizes(head)
    groups = head >> _HEAD_BITS & _GROUPS.take(tick_size)
    tick = groups & 0x7F
    for index in range(1, FRAME_TICK_SIZE_MAX):
        tick |= groups >> index & 0x7F << 7 * index
    odd[block[(groups < _LEAST.take(tick_size)) | (tick > U32_MAX)]] = True
    code = (head >> FRAME_LENGTH_BITS).astype(np.uint8) & np.uint8(_CODE_MAX)
    return WalkedFrames(block, at, code, tick, at + FRAME_HEAD_SIZE + tick_size, head & FRAME_LENGTH_MASK, odd)


def _tick_sizes(word: Ints) -> Ints:
    """How many bytes the LEB128 number after a frame's head has; 0 where it does not end after five."""
    # Bytes that end a number have their highest bit clear: those bits, eight apart, are brought side by side.
    ends = (~word >> _HEAD_BITS + 7) & _EIGHTH_BITS
    sizes: Ints = _TICK_SIZE.take(ends * _SIDE_BY_SIDE >> _SIDE_BIT & len(_TICK_SIZE) - 1)
    return sizes


def _failed_checks(blocks: BlockTable, found: WalkedFrames, checked: Bools | None) -> Ints:
    """The rows of frames whose checks do not hold."""
    if checked is not None and checked.all():
        return np.zeros(0, np.int64)
    rows = np.arange(found.at.size) if checked is None else np.flatnonzero(~checked[found.block])
    block, at = found.block.take(rows), found.at.take(rows)
    check_at = (found.payload_at + found.payload_size).take(rows)
    seeds = seeds_of(blocks.journal_id or 0, blocks.number).take(block)
    stored = np.ndarray((len(blocks.data) - FRAME_CHECK_SIZE + 1,), "<u4", blocks.data, 0, (1,))[check_at]
    failed: Ints = rows[crc32_of(blocks.data, at, check_at, seeds) != stored]
    return failed


def _table(blocks: BlockTable, found: WalkedFrames) -> FrameTable:
    position, number = blocks.position.take(found.block), blocks.number.take(found.block)
    run = blocks.run.take(found.block)
    tick = absolute_ticks(blocks.open_tick.take(found.block), found.tick_offset)
    size = (found.payload_at + found.payload_size + FRAME_CHECK_SIZE - found.at).astype(np.int32)
    return FrameTable(
        blocks.data, blocks.journal_id or 0, position, found.at, size, number, found.code, found.tick_offset, tick, run,
        run, tick, found.payload_at, found.payload_size.astype(np.int32), np.ones(run.size, np.bool_),
        np.zeros(run.size, np.bool_),
    )  # fmt: skip


def _odd_frames(blocks: BlockTable, odd: Ints) -> FrameTable:
    found = [(frame, index * BLOCK_SIZE) for index in odd.tolist() for frame in frames_of_intact(blocks.seen(index))]
    return table_of([frame for frame, _ in found], blocks.data, blocks.journal_id or 0, [base for _, base in found])
