"""The time of each frame of a run: 32-bit ticks, unwrapped by their order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from offtake.generated.records import BOARD_TICK_NS, RunStart
from offtake.journal.frames import Frame, without_copies

_TICK_SPAN = 2**32
# Frames staged in the main loop may stand a little before their place; further back is a wrapped tick.
_TICKS_BACK_MAX = 2**24
# 285 years. A damaged or made-up log's ticks can lie further on; what is computed from times has 64 bits and doubles.
_TIME_US_MAX = 2**53
# So many frames of damaged blocks wait for the next tick that is certain.
_HELD_MAX = 256


def timed_frames(frames: Iterable[Frame]) -> Iterator[tuple[int, Frame]]:
    """Yield one run's ``frames``, in order and without copies of a block, each with its time in microseconds since
    power-up. A frame whose tick is lost is given that of the frame before it, and so is one whose block's unchecked
    header gives a tick that is not between those of its neighbours; no time is beyond 2^53 us."""
    iterator = without_copies(frames)
    first = next(iterator, None)
    if first is None:
        return
    clock = _Clock(_tick_ns(first))
    held: list[Frame] = []
    for frame in chain((first,), iterator):
        if frame.tick is None and len(held) < _HELD_MAX:
            held.append(frame)
            continue
        yield from clock.between(held, frame.tick)
        held.clear()
        yield clock.microseconds(frame.likely_tick), frame
    yield from clock.between(held, None)


def _tick_ns(first: Frame) -> int:
    """Length of a tick by the run's own start, or else that of the first board known."""
    record = first.record()[1]
    if isinstance(record, RunStart) and record.tick_ns:
        return record.tick_ns
    return next(iter(BOARD_TICK_NS.values()))


class _Clock:
    """Unwraps 32-bit ticks by their order."""

    def __init__(self, tick_ns: int) -> None:
        self._tick_ns = tick_ns
        self._tick: int | None = None

    def between(self, held: Iterable[Frame], until: int | None) -> Iterator[tuple[int, Frame]]:
        """Times of frames whose ticks are not certain: damage to a header's tick may not be taken for a wrap, which
        would put all that follows hours late. ``until`` is the next certain tick, if one follows."""
        limit = None if until is None else self._unwrapped(until)
        for frame in held:
            tick = frame.likely_tick
            if limit is not None:
                least = limit if self._tick is None else self._tick
                tick = least if tick is None or not least <= self._unwrapped(tick) <= limit else tick
            yield self.microseconds(tick), frame

    def microseconds(self, tick: int | None) -> int:
        """Time since power-up; without a tick, that of the frame before."""
        if tick is not None:
            self._tick = self._unwrapped(tick)
        return min((self._tick or 0) * self._tick_ns // 1000, _TIME_US_MAX)

    def _unwrapped(self, tick: int) -> int:
        if self._tick is None:
            return tick
        ahead = (tick - self._tick) % _TICK_SPAN
        if ahead >= _TICK_SPAN - _TICKS_BACK_MAX:
            ahead -= _TICK_SPAN
        return max(0, self._tick + ahead)
