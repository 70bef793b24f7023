"""Verify's look at block numbers and frames, in the order of the numbers."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from offtake.generated.records import BLOCK_SIZE, FRAME_CODE_BITS, MESSAGES, Status
from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.findings import Findings, Told
from offtake.journal.frames import Frame
from offtake.journal.gathered import doubtful
from offtake.journal.layouts import Layouts, is_loggers
from offtake.journal.rows import by_run
from offtake.journal.survey import Survey

_CODES = 1 << FRAME_CODE_BITS


@dataclass
class NumberCheck:
    """Block numbers that are missing, or that come again, from the oldest that must be there to the last.

    ``last`` may be set before the first block is taken in: to the number that comes before it.
    """

    first: int | None = None
    last: int | None = None
    missing: int = 0
    findings: Findings = field(default_factory=Findings)
    _first_position: int = 0

    def add(self, number: Ints, position: Ints) -> None:
        """Take in the numbers of the next blocks and their places in the file, in order of number, then place."""
        if not number.size:
            return
        if self.first is None:
            self.first, self._first_position = int(number[0]), int(position[0])
        if self.last is None:
            self.last = self.first - 1
        steps = np.diff(number, prepend=self.last)
        self.last = int(number[-1])
        holes, again = np.flatnonzero(steps > 1), np.flatnonzero(steps == 0)
        self.missing += int(steps[holes].sum()) - holes.size

        def hole_told(row: int) -> Told:
            return _missing_told(int(number[row] - steps[row]) + 1, int(number[row]) - 1)

        def again_told(row: int) -> Told:
            return 1, "out_of_order", f"block {number[row]} is there more than once", 0

        self.findings.add_damage([(holes, position[holes], hole_told), (again, position[again], again_told)])

    def end(self, lap: int, newest: int | None = None) -> None:
        """All is taken in: are the oldest there that can be left? Only a lap's worth of newer blocks takes the place of
        an older one; ``newest`` is the journal's last where that is not the last taken in."""
        if self.first is None or self.last is None:
            return
        oldest = max(1, (newest or self.last) - lap + 1)
        if self.first > oldest:
            self.tell_missing(oldest, self.first - 1, self._first_position)

    def tell_missing(self, first: int, last: int, position: int) -> None:
        """Blocks ``first`` to ``last`` are missing before the one at ``position``."""
        blocks, reason, text, _ = _missing_told(first, last)
        self.missing += blocks
        self.findings.add("damage", position, blocks, reason, text)


def _missing_told(first: int, last: int) -> Told:
    missing = last - first + 1
    text = f"blocks {first} to {last} are missing" if missing > 1 else f"block {first} is missing"
    return missing, "missing_blocks", text, 0


@dataclass
class FrameCheck:
    """Whether frames of intact blocks decode; ``counts`` are all of them by message code, ``surveyed`` what they tell,
    copies left out."""

    counts: Ints = field(default_factory=lambda: np.zeros(_CODES, dtype=np.int64))
    surveyed: Survey = field(default_factory=Survey)
    findings: Findings = field(default_factory=Findings)

    def add(self, table: FrameTable, copies: Bools | None = None) -> None:
        """Take in the next frames; ``copies`` marks those that a block before holds as well."""
        self.counts += np.bincount(table.code, minlength=_CODES)
        if copies is None or not copies.any():
            self._add(table, new=True)
            return
        # Copies are checked as what stands before them describes them, and tell nothing new.
        for rows in np.split(np.arange(len(table)), np.flatnonzero(np.diff(copies)) + 1):
            self._add(table.taken(rows), new=not copies[rows[0]])

    def _add(self, table: FrameTable, *, new: bool) -> None:
        odd: dict[int, tuple[Status, str]] = {}
        layouts = self.surveyed.layouts

        def check_measured(rows: Ints, run: int, code: int) -> None:
            odd.update(_odd(table, _too_short(table, rows, run, code, layouts), layouts))

        for code in np.flatnonzero(np.bincount(table.code, minlength=_CODES)).tolist():
            if is_loggers(code) and MESSAGES[code].SIZE_MIN:
                odd.update(_odd(table, _doubtful_own(table, code), layouts))
        if new:
            self.surveyed.add_table(table, check_measured)
        else:
            for run, rows in by_run(table.run, np.flatnonzero(np.isin(table.code, _MEASURED))):
                for code in np.unique(table.code[rows]).tolist():
                    check_measured(rows[table.code[rows] == code], run, code)
        rows = np.array(sorted(odd), dtype=np.int64)

        def odd_told(row: int) -> Told:
            status, name = odd[row]
            text = f"a frame of {name}: {STATUS_WORDS[status]}"
            return 1, status.name.lower(), text, int(table.at[row]) % BLOCK_SIZE

        self.findings.add_damage([(rows, table.position[rows], odd_told)])


_MEASURED = [code for code in range(_CODES) if not is_loggers(code)]


def _doubtful_own(table: FrameTable, code: int) -> Ints:
    """The frames of the logger's own message ``code`` that this version may refuse."""
    rows = np.flatnonzero(table.code == code)
    sizes = table.payload_size[rows].astype(np.int64)
    return rows[doubtful(MESSAGES[code], table.data, table.payload_at[rows], sizes)]


def _too_short(table: FrameTable, rows: Ints, run: int, code: int, layouts: Layouts) -> Ints:
    """Those of ``rows``, all of ``run`` and message ``code``, that may be too short for it; no value is too odd."""
    found = layouts.of(run, code)
    if found is not None and found.origin != "spec":
        return rows[table.payload_size[rows] < found.message.fixed_size]
    return rows[table.payload_size[rows] < MESSAGES[code].SIZE_MIN] if code in MESSAGES else rows[:0]


def _odd(table: FrameTable, rows: Ints, layouts: Layouts) -> dict[int, tuple[Status, str]]:
    """Of the frames ``rows`` those that do not decode, with the reason and the message's name."""
    told = zip(rows.tolist(), (status_of(frame, layouts) for frame in table.taken(rows).frames()), strict=True)
    return {row: (status, name) for row, (status, name) in told if status is not Status.OK}


def status_of(frame: Frame, layouts: Layouts) -> tuple[Status, str]:
    """Whether a frame decodes, and the name of its message; one that nobody knows is only counted."""
    message = MESSAGES.get(frame.code)
    found = None if frame.run is None or is_loggers(frame.code) else layouts.of(frame.run, frame.code)
    if found is not None and found.origin != "spec":
        # Ranges are not described: only what is shorter than its own run says is certainly wrong.
        short = found.origin == "log" and len(frame.payload) < found.message.fixed_size
        return (Status.SHORT_PAYLOAD if short else Status.OK), found.name
    # A message that is all variable tail takes any bytes.
    if message is None or not message.SIZE_MIN:
        return Status.OK, ""
    status = frame.record()[0]
    # A later release may have widened a sensor's range; what is out of ours is counted among the oddities.
    odd = status is Status.OUT_OF_RANGE and not is_loggers(frame.code)
    return (Status.OK if odd else status), message.NAME
