"""A run's frames one by one: without copies of blocks, and each with its time. What tables of frames must equal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.times import TimedTable
from offtake.journal.clock import HELD_MAX, Clock, tick_ns_of
from offtake.journal.frames import Frame


def without_copies(frames: Iterable[Frame]) -> Iterator[Frame]:
    """``frames``, in order of block number, without those that a second copy of their block repeats."""
    number: int | None = None
    seen: set[tuple[int, int, int, bytes]] = set()
    for frame in frames:
        if frame.block_number != number:
            number = frame.block_number
            seen.clear()
        key = (frame.offset % BLOCK_SIZE, frame.code, frame.tick_offset, frame.payload)
        if key not in seen:
            seen.add(key)
            yield frame


def timed_frames(frames: Iterable[Frame]) -> Iterator[tuple[int, Frame]]:
    """Yield one run's ``frames``, in order and without copies of a block, each with its time in microseconds since
    power-up. A frame whose tick is lost is given that of the frame before it, and so is one whose block's unchecked
    header gives a tick that is not between those of its neighbours; no time is beyond 2^53 us."""
    iterator = without_copies(frames)
    first = next(iterator, None)
    if first is None:
        return
    clock = Clock(tick_ns_of(first))
    held: list[Frame] = []
    for frame in chain((first,), iterator):
        if frame.tick is None and len(held) < HELD_MAX:
            held.append(frame)
            continue
        yield from clock.between(held, clock.certain(frame))
        held.clear()
        yield clock.time_of(frame), frame
    yield from clock.between(held, None)


def one_by_one(timed: Iterable[TimedTable]) -> Iterator[tuple[int, Frame]]:
    """Each frame with its time."""
    for table, times in timed:
        yield from zip(times.tolist(), table.frames(), strict=True)
