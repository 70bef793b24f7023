"""The time of each frame of a run: 32-bit ticks, unwrapped by their order."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from offtake.generated.records import BOARD_TICK_NS, RunStart
from offtake.journal.frames import Frame

TICK_SPAN = 2**32
# Frames staged in the main loop may stand a little before their place; further back is a wrapped tick.
TICKS_BACK_MAX = 2**24
# 285 years. A damaged or made-up log's ticks can lie further on; what is computed from times has 64 bits and doubles.
TIME_US_MAX = 2**53
# So many frames of damaged blocks wait for the next tick that is certain.
HELD_MAX = 256


def tick_ns_of(first: Frame) -> int:
    """Length of a tick by the run's own start, or else that of the first board known."""
    record = first.record()[1]
    if isinstance(record, RunStart) and record.tick_ns:
        return record.tick_ns
    return next(iter(BOARD_TICK_NS.values()))


class Clock:
    """Unwraps 32-bit ticks by their order: those that blocks are opened with, for no frame is earlier than its block.

    Within a block order says nothing: a run's start comes before all that had waited for a card, for minutes perhaps.
    """

    def __init__(self, tick_ns: int) -> None:
        self.tick_ns = tick_ns
        self.tick: int | None = None
        self.open: int | None = None

    def between(self, held: Iterable[Frame], limit: int | None) -> Iterator[tuple[int, Frame]]:
        """Times of frames whose ticks are not certain: damage to a header's tick may not be taken for a wrap, which
        would put all that follows hours late. ``limit`` is the next certain tick, if one follows."""
        for frame in held:
            tick = frame.likely_tick
            if limit is not None:
                least = limit if self.tick is None else self.tick
                tick = least if tick is None or not least <= _unwrapped(tick, self.tick) <= limit else tick
            yield self._likely(tick), frame

    def certain(self, frame: Frame) -> int | None:
        """The unwrapped tick of a frame; None where its tick is not certain."""
        if frame.tick is None:
            return None
        return _unwrapped((frame.tick - frame.tick_offset) % TICK_SPAN, self.open) + frame.tick_offset

    def time_of(self, frame: Frame) -> int:
        """Microseconds since power-up; of a frame without any tick, those of the frame before."""
        tick = self.certain(frame)
        if tick is None:
            return self._likely(frame.likely_tick)
        self.tick, self.open = tick, tick - frame.tick_offset
        return self._microseconds()

    def _likely(self, tick: int | None) -> int:
        if tick is not None:
            self.tick = self.open = _unwrapped(tick, self.tick)
        return self._microseconds()

    def _microseconds(self) -> int:
        return min((self.tick or 0) * self.tick_ns // 1000, TIME_US_MAX)


def _unwrapped(tick: int, before: int | None) -> int:
    if before is None:
        return tick
    ahead = (tick - before) % TICK_SPAN
    if ahead >= TICK_SPAN - TICKS_BACK_MAX:
        ahead -= TICK_SPAN
    return max(0, before + ahead)
