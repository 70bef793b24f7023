"""The time of each frame of a run: 32-bit ticks, unwrapped by their order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from offtake.generated.records import BOARD_TICK_NS, RunStart
from offtake.journal.frames import Frame, without_copies

_TICK_SPAN = 2**32
# Frames staged in the main loop may stand a little before their place; further back is a wrapped tick.
_TICKS_BACK_MAX = 2**24


def timed_frames(frames: Iterable[Frame]) -> Iterator[tuple[int, Frame]]:
    """Yield one run's ``frames``, in order and without copies of a block, each with its time in microseconds since
    power-up. A frame whose tick is lost is given that of the frame before it."""
    iterator = without_copies(frames)
    first = next(iterator, None)
    if first is None:
        return
    clock = _Clock(_tick_ns(first))
    for frame in chain((first,), iterator):
        yield clock.microseconds(frame.likely_tick), frame


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

    def microseconds(self, tick: int | None) -> int:
        """Time since power-up; without a tick, that of the frame before."""
        if self._tick is None:
            self._tick = tick
        elif tick is not None:
            ahead = (tick - self._tick) % _TICK_SPAN
            if ahead >= _TICK_SPAN - _TICKS_BACK_MAX:
                ahead -= _TICK_SPAN
            self._tick = max(0, self._tick + ahead)
        return (self._tick or 0) * self._tick_ns // 1000
