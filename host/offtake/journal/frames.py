"""Frames out of one block, intact or damaged, and what is known of each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from offtake.generated.records import (
    BLOCK_HEADER_SIZE,
    BLOCK_MAGIC,
    BLOCK_SPACE,
    BLOCK_VERSION,
    FRAME_CHECK_SIZE,
    FRAME_HEAD_SIZE,
    FRAME_LENGTH_BITS,
    MESSAGES,
    BlockHeader,
    Status,
)
from offtake.journal.codec import (
    CHECK_AT,
    FRAME_LENGTH_MASK,
    U32_MAX,
    decode_payload,
    frame_seed,
    parse_frame,
    read_block_header,
)
from offtake.journal.scan import Seen
from offtake.records import Record

_FRAME_SIZE_MIN = FRAME_HEAD_SIZE + 1 + FRAME_CHECK_SIZE
_SIZE_MIN_BY_CODE = {code: message.SIZE_MIN for code, message in MESSAGES.items()}


class Frame(NamedTuple):
    """One frame whose check passed.

    ``offset`` and ``size`` are its bytes in the file. ``run`` and ``tick`` (absolute, modulo 2^32) are set where
    they are certain: the block is intact, or, for ``run``, both its neighbours are of that run. ``header_run``
    and ``header_tick`` come from the unchecked header of a damaged block, where nothing speaks against it.
    ``after_damage`` says that frames may be missing just before this one.
    """

    position: int
    offset: int
    size: int
    journal_id: int
    block_number: int
    code: int
    tick_offset: int
    payload: bytes
    run: int | None
    tick: int | None
    header_run: int | None
    header_tick: int | None
    block_intact: bool
    after_damage: bool

    @property
    def likely_run(self) -> int | None:
        """The run, or what the unchecked header says."""
        return self.header_run if self.run is None else self.run

    @property
    def likely_tick(self) -> int | None:
        """The tick, or what the unchecked header gives."""
        return self.header_tick if self.tick is None else self.tick

    def record(self) -> tuple[Status, Record | None]:
        """The payload decoded: OK, UNKNOWN_CODE, SHORT_PAYLOAD or OUT_OF_RANGE."""
        return decode_payload(self.code, self.payload)


def frames_of_intact(seen: Seen) -> Iterator[Frame]:
    """Frames of an intact block, in order. Where one does not parse, for all the block's check says, the rest of
    the block is searched as a damaged one is."""
    header = seen.header
    if header is None:
        return
    end = BLOCK_HEADER_SIZE + header.used_bytes
    seeds = ((header.block_number, frame_seed(header.journal_id, header.block_number)),)
    for number, frame, gap in _search(seen.data, end, seeds):
        at, code, tick_offset, payload, size = frame
        tick = (header.open_tick + tick_offset) & U32_MAX
        run = header.run_number
        yield Frame(seen.position, seen.offset + at, size, header.journal_id, number, code, tick_offset, payload, run,
                    tick, run, tick, True, gap)  # fmt: skip


def frames_of_damaged(
    seen: Seen, journal_id: int, numbers: tuple[int, ...], before: Seen | None, after: Seen | None
) -> Iterator[Frame]:
    """Frames of a damaged or torn block that prove themselves by their own checks, in order of place.

    The checks are seeded with ``journal_id`` and each of ``numbers``, and with the number that the block's own
    header gives when it is of this journal. ``before`` and ``after`` are the nearest intact blocks in the file.
    """
    header = _own_header(seen.data, journal_id)
    seeds = tuple((number, frame_seed(journal_id, number)) for number in numbers_tried(seen, journal_id, numbers))
    for number, frame, gap in _search(seen.data, min(len(seen.data), CHECK_AT), seeds):
        at, code, tick_offset, payload, size = frame
        low, high = _run_bounds(number, before, after)
        run = low if low == high else None
        header_run = header_tick = None
        if header is not None and header.block_number == number and _within(header.run_number, low, high):
            header_run = header.run_number
            header_tick = (header.open_tick + tick_offset) & U32_MAX
        yield Frame(seen.position, seen.offset + at, size, journal_id, number, code, tick_offset, payload, run, None,
                    header_run, header_tick, False, gap)  # fmt: skip


def numbers_tried(seen: Seen, journal_id: int, numbers: tuple[int, ...]) -> tuple[int, ...]:
    """The numbers that :func:`frames_of_damaged` seeds the checks with, in its order."""
    header = _own_header(seen.data, journal_id)
    return numbers if header is None else tuple(dict.fromkeys((header.block_number, *numbers)))


class _Found(NamedTuple):
    at: int
    code: int
    tick_offset: int
    payload: bytes
    size: int


def _search(data: bytes, end: int, seeds: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, _Found, bool]]:
    """(block number, frame, whether bytes before it were passed over) for all frames in ``data[:end]``.

    Right after the header or another frame a frame may have any code. Elsewhere, at an offset that was only tried,
    it must be a message of this spec with a length it can have.
    """
    at = gap_from = BLOCK_HEADER_SIZE
    while at + _FRAME_SIZE_MIN <= end:
        anchored = at == gap_from
        if anchored or _may_start(data, at, end):
            for number, seed in seeds:
                status, frame = parse_frame(data, at, end, seed)
                if status is Status.OK:
                    payload = data[frame.payload_at : frame.payload_at + frame.payload_size]
                    yield number, _Found(at, frame.code, frame.tick_offset, payload, frame.end - at), not anchored
                    at = gap_from = frame.end
                    break
            else:
                at += 1
        else:
            at += 1


def _may_start(data: bytes, at: int, end: int) -> bool:
    head = data[at] | data[at + 1] << 8
    size_min = _SIZE_MIN_BY_CODE.get(head >> FRAME_LENGTH_BITS)
    size = head & FRAME_LENGTH_MASK
    return size_min is not None and size >= size_min and at + _FRAME_SIZE_MIN + size <= end


def _own_header(data: bytes, journal_id: int) -> BlockHeader | None:
    """The header of a damaged block, unless it says what cannot be."""
    if len(data) < BLOCK_HEADER_SIZE or data[0] != BLOCK_MAGIC:
        return None
    header = read_block_header(data)
    right = header.version == BLOCK_VERSION and header.journal_id == journal_id and header.block_number >= 1
    return header if right and header.used_bytes <= BLOCK_SPACE else None


def _run_bounds(number: int, before: Seen | None, after: Seen | None) -> tuple[int | None, int | None]:
    """Lowest and highest run that block ``number`` can belong to: runs grow with block numbers."""
    low = high = None
    for seen in (before, after):
        if seen is None or seen.header is None:
            continue
        if seen.header.block_number < number:
            low = seen.header.run_number if low is None else max(low, seen.header.run_number)
        elif seen.header.block_number > number:
            high = seen.header.run_number if high is None else min(high, seen.header.run_number)
    return (low, high) if low is None or high is None or low <= high else (None, None)


def _within(run: int, low: int | None, high: int | None) -> bool:
    return (low is None or run >= low) and (high is None or run <= high)
