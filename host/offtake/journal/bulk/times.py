"""The time of each frame of a run, a table at a time: vectorised where ticks are certain, else by the clock."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np

from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.bulk.frames import NONE, FrameTable, packed
from offtake.journal.bulk.tables import without_copies_of
from offtake.journal.clock import HELD_MAX, TICK_SPAN, TICKS_BACK_MAX, TIME_US_MAX, Clock, tick_ns_of

# What a made-up log's laps of the tick counter can come to at the most before 64 bits are no longer enough.
_EXACT_MAX = 2**61

# A remainder by a power of two, which for negative numbers too is what their lowest bits say.
_TICK_MASK = TICK_SPAN - 1

TimedTable = tuple[FrameTable, Ints]


def timed_tables(tables: Iterable[FrameTable], clock: Clock | None = None) -> Iterator[TimedTable]:
    """One run's ``tables``, in order, without copies of blocks, each with its frames' times in microseconds since
    power-up, shape (m,). A frame whose tick is lost is given that of the frame before it, and so is one whose block's
    unchecked header gives a tick that is not between those of its neighbours; no time is beyond 2^53 us. Such frames at
    the end of a table may come with the next one. Tables have at least a row.

    Where ``tables`` begin inside the run, ``clock`` is one that knows the frame before them; it goes on with them.
    """
    waiting: list[FrameTable] = []
    for copied in tables:
        table = without_copies_of(copied)
        if not len(table):
            continue
        if clock is None:
            clock = Clock(tick_ns_of(table.frame(0)))
        certain = table.tick != NONE
        if certain.all() and not waiting:
            yield table, certain_times(clock, table)
            continue
        yield from _mixed(clock, table, certain, waiting)
    if clock is not None:
        yield from _without_limit(clock, waiting)


def _mixed(clock: Clock, table: FrameTable, certain: Bools, waiting: list[FrameTable]) -> Iterator[TimedTable]:
    """The parts of a table in which some ticks are not certain; those whose limit is yet to come go to ``waiting``."""
    bounds = np.flatnonzero(certain[1:] != certain[:-1]) + 1
    for part in np.split(np.arange(len(table)), bounds):
        piece = table.taken(part)
        if certain[part[0]]:
            limit = clock.certain(piece.frame(0))
            for held in waiting:
                yield held, _times([us for us, _ in clock.between(held.frames(), limit)])
            waiting.clear()
            yield piece, certain_times(clock, piece)
        else:
            yield from _hold(clock, piece, waiting)


def _hold(clock: Clock, piece: FrameTable, waiting: list[FrameTable]) -> Iterator[TimedTable]:
    """Let frames of uncertain ticks wait for the next certain one, as many as :data:`HELD_MAX`."""
    while len(piece):
        room = HELD_MAX - sum(map(len, waiting))
        if len(piece) <= room:
            waiting.append(packed(piece))
            return
        # The first one for which there is no room ends the waiting, and is itself given what its header says.
        waiting.append(piece.taken(np.arange(room + 1)))
        yield from _without_limit(clock, waiting)
        waiting.clear()
        piece = piece.taken(np.arange(room + 1, len(piece)))


def _without_limit(clock: Clock, waiting: list[FrameTable]) -> Iterator[TimedTable]:
    for held in waiting:
        yield held, _times([us for us, _ in clock.between(held.frames(), None)])


def _times(values: list[int]) -> Ints:
    return np.array(values, np.int64)


def certain_times(clock: Clock, table: FrameTable) -> Ints:
    """Times of frames whose ticks are all certain."""
    opened = (table.tick - table.tick_offset) & _TICK_MASK
    before = int(opened[0]) if clock.open is None else clock.open
    if before > _EXACT_MAX:
        return _times([clock.time_of(frame) for frame in table.frames()])
    steps = np.diff(opened, prepend=before) & _TICK_MASK
    steps[steps >= TICK_SPAN - TICKS_BACK_MAX] -= TICK_SPAN
    unwrapped = before + np.cumsum(steps)
    if unwrapped.min() < 0:
        # Before power-up there is nothing: here the order of frames decides, one by one.
        return _times([clock.time_of(frame) for frame in table.frames()])
    ticks: Ints = unwrapped + table.tick_offset
    clock.tick, clock.open = int(ticks[-1]), int(unwrapped[-1])
    # No product may be more than 64 bits hold: past this many ticks every time is the greatest one.
    ticks_max = -(-TIME_US_MAX * 1000 // clock.tick_ns)
    times: Ints = np.minimum(np.minimum(ticks, ticks_max) * clock.tick_ns // 1000, TIME_US_MAX)
    return times
