"""Times along each run: a rung every few hundred blocks, by which a span of time is found without reading the run."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from offtake.journal.bulk.arrays import Ints
from offtake.journal.bulk.frames import NONE, FrameTable
from offtake.journal.bulk.times import certain_times, timed_tables
from offtake.journal.clock import TICK_SPAN, Clock, tick_ns_of
from offtake.journal.rows import by_run

RUNG_BLOCKS = 256
"""Blocks from one rung to the next."""
RUNG = np.dtype([("run", "<i4"), ("number", "<i8"), ("tick_us", "<i8"), ("least_us", "<i8"), ("most_us", "<i8"),
                 ("open_tick", "<i8"), ("tick_ns", "<u4")])  # fmt: skip
"""A rung: the number of its first block; the time of the first frame there, and the least and the greatest of all
frames from there to the next rung, in microseconds since power-up; the unwrapped tick with which the block was opened
(-1 where it is not certain) and the length of the run's tick in nanoseconds."""

Rungs = NDArray[np.void]


class RunLadder:
    """Grows by one run's frames, in order."""

    def __init__(self) -> None:
        self._done: list[tuple[int, ...]] = []
        self._number = -1
        self._blocks = 0
        self._tick_ns = 0

    def add(self, run: int, table: FrameTable, times_us: Ints) -> None:
        """Take in the next frames of ``run``, at least one, with their times."""
        if not self._tick_ns:
            self._tick_ns = tick_ns_of(table.frame(0))
        firsts = np.flatnonzero(np.diff(table.number, prepend=self._number))
        begins = firsts[-self._blocks % RUNG_BLOCKS :: RUNG_BLOCKS]
        self._number = int(table.number[-1])
        self._blocks += int(firsts.size)
        self._widen(times_us[: begins[0]] if begins.size else times_us)
        if not begins.size:
            return
        least, most = (reduce.reduceat(times_us, begins) for reduce in (np.minimum, np.maximum))
        columns = (table.number[begins], times_us[begins], least, most, self._opened(table, begins, times_us[begins]))
        for number, tick_us, low, high, opened in zip(*(column.tolist() for column in columns), strict=True):
            self._done.append((run, number, tick_us, low, high, opened, self._tick_ns))

    def _widen(self, times_us: Ints) -> None:
        """Frames that belong to the rung that is open."""
        if self._done and times_us.size:
            run, number, tick_us, least, most, opened, tick_ns = self._done[-1]
            least, most = min(least, int(times_us.min())), max(most, int(times_us.max()))
            self._done[-1] = (run, number, tick_us, least, most, opened, tick_ns)

    def _opened(self, table: FrameTable, rows: Ints, times_us: Ints) -> Ints:
        """The unwrapped ticks with which the blocks of ``rows`` were opened: the laps of the tick counter that their
        times tell of, and what their frames hold."""
        tick = table.tick[rows]
        laps = np.rint((times_us * (1000.0 / self._tick_ns) - tick) / TICK_SPAN).astype(np.int64)
        return np.where(tick == NONE, NONE, np.maximum(laps * TICK_SPAN + tick - table.tick_offset[rows], NONE))

    def rungs(self) -> Rungs:
        """What has grown so far."""
        return np.array(self._done, dtype=RUNG)


class LaddersOnTheWay:
    """The ladders of all runs, made while their frames are passed over in the order of block numbers. Of a run with a
    tick that is not certain there is none: what that frame's time is hangs on the frames behind it."""

    def __init__(self) -> None:
        self._runs: dict[int, tuple[Clock, RunLadder]] = {}
        self.uncertain: set[int] = set()

    def add(self, table: FrameTable) -> None:
        """Take in the next frames, without copies."""
        runs = table.likely_run
        lost = table.tick == NONE
        for run in np.unique(runs[lost]).tolist() if lost.any() else ():
            self.uncertain.add(run)
            self._runs.pop(run, None)
        for run, rows in by_run(runs, np.flatnonzero(runs != NONE)):
            if run in self.uncertain:
                continue
            part = table if len(rows) == len(table) else table.taken(rows)
            if run not in self._runs:
                self._runs[run] = Clock(tick_ns_of(part.frame(0))), RunLadder()
            clock, ladder = self._runs[run]
            ladder.add(run, part, certain_times(clock, part))

    def rungs(self, run: int) -> Rungs | None:
        """The rungs of ``run``; None where they have to be made of its frames alone."""
        if run in self.uncertain or run not in self._runs:
            return None
        return self._runs[run][1].rungs()


def ladder_of(tables: Iterable[FrameTable], run: int) -> Rungs:
    """The rungs of a run, all of whose frames are in ``tables``."""
    ladder = RunLadder()
    for table, times_us in timed_tables(tables):
        ladder.add(run, table, times_us)
    return ladder.rungs()
