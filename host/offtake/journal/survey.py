"""What a journal holds, from one walk over its frames: the runs, and how the messages of each are to be read."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import (
    BLOCK_SIZE,
    FRAME_CODE_BITS,
    MESSAGES,
    Description,
    Loss,
    LossCause,
    PressureConstants,
    Raw,
    RawMore,
    RunEnd,
    RunStart,
)
from offtake.journal.bulk.arrays import Bools, Ints, Ints32
from offtake.journal.bulk.frames import NONE, FrameTable, joined
from offtake.journal.bulk.passage import FileWindow
from offtake.journal.gathered import doubtful, numbers_at, place_of
from offtake.journal.kept import content, whole
from offtake.journal.ladder import LaddersOnTheWay
from offtake.journal.layouts import Layouts, is_loggers
from offtake.journal.oddities import Oddities, Oddity
from offtake.journal.rows import by_run
from offtake.journal.runs import RunInfo, restored_run

_CODES = 1 << FRAME_CODE_BITS
_OF_LOGGER = np.array([is_loggers(code) for code in range(_CODES)])
# So many rows are sorted sooner one by one than by arrays.
_FEW = 8

Before = Callable[[Ints, int, int], None]
"""Called with rows of measurements, their run and message code, while the layouts are those of the frames before."""


class Survey:
    """The runs by number, the ``layouts`` of their messages, and what these do not foresee."""

    def __init__(self, layouts: Layouts | None = None) -> None:
        self.layouts = layouts or Layouts()
        self._oddities = Oddities(self.layouts)
        self._runs: dict[int, RunInfo] = {}
        self._counts: dict[int, dict[int, int]] = {}
        self._constants: dict[int, set[bytes]] = {}

    def add_table(self, table: FrameTable, before: Before | None = None) -> None:
        """Take in frames, in order of block number and without copies; those of no known run are passed over. Where
        ``before`` is given, it is called with all rows of measurements, some of one run and message at a time."""
        run = table.likely_run
        known = np.flatnonzero(run != NONE)
        if not known.size:
            return
        for number, rows in by_run(run, known):
            self._count(number, table, rows)
        self._read(table, run, known, before)

    def _count(self, run: int, table: FrameTable, rows: Ints) -> None:
        """What can be counted in any order, and of starts and ends the last."""
        numbers = table.number[rows]
        first, last = int(numbers.min()), int(numbers.max())
        info = self._runs.get(run)
        if info is None:
            info = self._runs[run] = RunInfo(run, first, last)
            self._counts[run] = {}
        codes = table.code[rows]
        found = np.bincount(codes, minlength=_CODES)
        raw = (codes == Raw.CODE) | (codes == RawMore.CODE)
        info.add_counted(first, last, len(rows), int(table.payload_size[rows[raw]].sum(dtype=np.int64)))
        counts = self._counts[run]
        for code in np.flatnonzero(found).tolist():
            counts[code] = counts.get(code, 0) + int(found[code])
        for loss in _losses(table, rows[codes == Loss.CODE]) if found[Loss.CODE] else ():
            info.add_record(loss)
        if found[RunStart.CODE] or found[RunEnd.CODE]:
            ends = rows[(codes == RunStart.CODE) | (codes == RunEnd.CODE)]
            for frame in table.taken(ends).frames():
                info.add_record(frame.record()[1])
        if found[PressureConstants.CODE]:
            constants = self._constants.setdefault(run, set())
            for row in rows[codes == PressureConstants.CODE].tolist():
                if len(constants) == 2:
                    break
                constants.add(table.payload(row))

    def _read(self, table: FrameTable, run: Ints32, known: Ints, before: Before | None) -> None:
        """What hangs on the order: measurements are read by the descriptions that stand before them."""
        codes = table.code[known]
        turns = known[(codes == Description.CODE) | (codes == RunStart.CODE)]
        measured = known[~_OF_LOGGER[codes]]
        at = 0
        cuts = np.searchsorted(measured, turns)
        # What a run has said it may say again, however often: nothing is read in another way after it.
        described: set[tuple[int | None, bool, bytes]] = set()
        started: dict[int | None, bytes] = {}
        for frame, cut in zip(table.taken(turns).frames(), cuts.tolist(), strict=True):
            number, payload = frame.likely_run, frame.payload
            begins = frame.code == RunStart.CODE
            said = (number, frame.run is not None, payload)
            if started.get(number) == payload if begins else said in described:
                # It may still contradict what came first, and that is counted.
                self.layouts.add(frame)
                continue
            if cut > at:
                self._measure(table, run, measured[at:cut], before)
                at = cut
            self.layouts.add(frame)
            if not begins:
                described.add(said)
                continue
            started[number] = payload
            record = frame.record()[1]
            if isinstance(record, RunStart) and number is not None:
                self._oddities.begin(number, record)
        self._measure(table, run, measured[at:], before)

    def _measure(self, table: FrameTable, run: Ints32, rows: Ints, before: Before | None) -> None:
        for number, code, chosen in _by_message(run, table.code, rows):
            if before is not None:
                before(chosen, number, code)
            self._oddities.add(number, code, table, chosen)

    def state(self) -> dict[str, Any]:
        """Everything that was found, in plain values; see :meth:`restore`."""
        runs = [
            {
                **info.state(),
                "counts": sorted(self._counts[run].items()),
                "constants": [payload.hex() for payload in self.constants(run)],
            }
            for run, info in sorted(self._runs.items())
        ]
        return {"runs": runs, "layouts": self.layouts.state(), "oddities": self._oddities.state()}

    def restore(self, state: Any) -> None:
        """Take over what :meth:`state` gave, to be told, not to be added to. ValueError, TypeError, KeyError or
        IndexError for anything else."""
        self.layouts.restore(state["layouts"])
        self._oddities.restore(state["oddities"])
        for one in state["runs"]:
            info = restored_run(one)
            self._runs[info.run] = info
            self._counts[info.run] = {whole(code): whole(count) for code, count in one["counts"]}
            self._constants[info.run] = {content(payload) for payload in one["constants"]}

    @property
    def runs(self) -> tuple[RunInfo, ...]:
        """Every run, by number."""
        found = tuple(info for _, info in sorted(self._runs.items()))
        for info in found:
            named: dict[str, int] = {}
            for code, count in sorted(self._counts[info.run].items()):
                name = self.layouts.name(info.run, code)
                named[name] = named.get(name, 0) + count
            info.frames_by_message = named
        return found

    def start(self, run: int) -> RunStart | None:
        """The frame that began ``run``, where it is left."""
        info = self._runs.get(run)
        return info.start if info else None

    def counts(self, run: int) -> dict[int, int]:
        """Frames of ``run`` by message code."""
        return dict(self._counts.get(run, {}))

    def name(self, code: int) -> str:
        """What message ``code`` is called in all runs that have it, ``message_N`` where they differ."""
        names = {self.layouts.name(run, code) for run, counts in self._counts.items() if code in counts}
        if len(names) > 1:
            return f"message_{code}"
        return names.pop() if names else MESSAGES[code].NAME if code in MESSAGES else f"unknown_{code}"

    def constants(self, run: int) -> tuple[bytes, ...]:
        """The different payloads, at most two, with which ``run`` gave the pressure part's constants."""
        return tuple(sorted(self._constants.get(run, ())))

    def oddities(self, run: int) -> tuple[Oddity, ...]:
        """What the measurements of ``run`` have that their definition does not foresee."""
        return self._oddities.of(run)

    def notes(self, run: int) -> tuple[str, ...]:
        """What is to be said of how ``run`` is read, in sentences."""
        return self.layouts.notes(run, self.counts(run))


def survey_tables(tables: Iterable[FrameTable]) -> Survey:
    """Walk over the frames of ``tables``, in order of block number and without copies. At most 65,536 runs."""
    found = Survey()
    for table in tables:
        found.add_table(table)
    return found


class SurveyOnTheWay:
    """A survey made while a file is passed over in its own order. ``result`` is None as soon as that is not the order
    of block numbers. The ``ladders`` are made with it, if anybody wants them."""

    def __init__(self, ladders: LaddersOnTheWay | None = None) -> None:
        self.result: Survey | None = Survey()
        self._ladders = ladders
        self._last = (-1, -1)

    def add(self, window: FileWindow, blocks_in: Bools, damaged_in: Bools) -> None:
        """Take in the frames of the next window, those of intact blocks that ``blocks_in`` marks and those of damaged
        ones that ``damaged_in`` marks."""
        if self.result is None:
            return
        table = window.frames
        if not blocks_in.all():
            table = table.taken(blocks_in[table.at // BLOCK_SIZE])
        if damaged_in.any():
            table = joined([table, window.damaged.taken(damaged_in)])
            table = table.taken(np.argsort(table.at, kind="stable"))
        if not len(table):
            return
        position, number = self._last
        moves = np.diff(table.position, prepend=position) > 0
        steps = np.diff(table.number, prepend=number)
        # A number that comes again at another place is a copy.
        if np.any(steps < 0) or np.any(steps[moves] == 0):
            self.result = None
            return
        self._last = int(table.position[-1]), int(table.number[-1])
        self.result.add_table(table)
        if self._ladders is not None:
            self._ladders.add(table)


def _by_message(run: Ints32, code: NDArray[np.uint8], rows: Ints) -> Iterator[tuple[int, int, Ints]]:
    """Run, message code and the rows of both, in order, for all that ``rows`` are of."""
    if len(rows) <= _FEW:
        found: dict[tuple[int, int], list[int]] = {}
        for row, *both in zip(rows.tolist(), run[rows].tolist(), code[rows].tolist(), strict=True):
            found.setdefault((both[0], both[1]), []).append(row)
        for (number, one), chosen in sorted(found.items()):
            yield number, one, np.array(chosen)
        return
    for number, of_run in by_run(run, rows):
        codes = code[of_run]
        for one in np.flatnonzero(np.bincount(codes)).tolist():
            yield number, one, of_run[codes == one]


def _losses(table: FrameTable, rows: Ints) -> Iterator[Loss]:
    """The losses that frames tell, those of one cause summed up."""
    places, sizes = table.payload_at[rows], table.payload_size[rows].astype(np.int64)
    places = places[~doubtful(Loss, table.data, places, sizes)]
    causes, counts = (numbers_at(table.data, places + place_of(Loss, info.name), info.kind) for info in Loss.FIELDS)
    for cause in np.unique(causes).tolist():
        yield Loss(LossCause(cause), int(counts[causes == cause].sum()))
