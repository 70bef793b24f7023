"""Is a journal whole? Every block and frame checked, every missing block number named; constant memory."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from offtake.errors import DamageError
from offtake.generated.records import MESSAGES, JournalHeader, RunStart, Status
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.order import SHIFTS_MAX
from offtake.journal.bulk.parse import frames_of
from offtake.journal.bulk.tables import copies_of
from offtake.journal.bulk.window import BlockTable, scan_blocks
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.described import description_notes
from offtake.journal.findings import FINDINGS_MAX, Finding, Findings
from offtake.journal.identity import Identity, identify
from offtake.journal.oddities import Oddity
from offtake.journal.oldest import oldest_position
from offtake.journal.reader import Journal
from offtake.journal.runs import RunInfo
from offtake.journal.scan import block_total
from offtake.journal.source import ByteSource
from offtake.journal.verify_blocks import BlockCheck, BlockCounts, tell_parts
from offtake.journal.verify_frames import FrameCheck, NumberCheck


@dataclass
class VerifyReport:
    """What :func:`verify` found. ``missing_blocks`` counts numbers that no intact block has, from the oldest
    that can be left to the last. Past 1000 findings ``findings_left_out`` counts. ``frames_by_message`` is of all runs,
    with copies of blocks; each of ``runs`` has its own, without. ``notes`` are sentences about how runs describe their
    messages, and of the ``oddities``: values and rates of sensors' messages that their definition does not foresee, at
    most 1000 of them. ``only_run`` is the run that alone was looked at, None where the whole journal was."""

    name: str
    size: int
    header_status: Status
    header: JournalHeader | None
    journal_id: int | None
    blocks: BlockCounts = field(default_factory=BlockCounts)
    first_block: int | None = None
    last_block: int | None = None
    missing_blocks: int = 0
    frames_by_message: dict[str, int] = field(default_factory=dict)
    runs: tuple[RunInfo, ...] = ()
    findings: list[Finding] = field(default_factory=list)
    findings_left_out: int = 0
    damage: int = 0
    notes: tuple[str, ...] = ()
    oddities: tuple[Oddity, ...] = ()
    only_run: int | None = None

    @property
    def clean(self) -> bool:
        """True when nothing is damaged or missing."""
        return self.damage == 0

    @property
    def lost_bytes(self) -> int:
        """Bytes the logger counted as dropped at a full ring, over all runs."""
        return sum(run.lost_bytes for run in self.runs)

    @property
    def loss_events(self) -> int:
        """Overruns and framing errors the logger counted, over all runs."""
        return sum(run.loss_events for run in self.runs)

    @property
    def sensor_frames_lost(self) -> int:
        """Frames of sensors that found no room, over all runs."""
        return sum(run.sensor_frames_lost for run in self.runs)

    @property
    def sensor_silent(self) -> int:
        """Readings that a sensor did not answer, over all runs."""
        return sum(run.sensor_silent for run in self.runs)

    def take(self, told: Findings) -> None:
        """Make ``told`` its findings."""
        self.findings, self.findings_left_out, self.damage = told.found, told.left_out, told.damage


def verify(source: ByteSource, name: str = "journal") -> VerifyReport:
    """Check everything and report. No content is an error: a source that is no journal gives a report that says so.

    Damage: a header or block that fails its checks, a block out of its place, a frame that fails within an intact
    block or does not decode, a block number missing from the oldest that can be left to the last, a file that ends
    inside a block.
    Notes: what a power cut or an older journal leaves behind rightly.

    The source is read once where blocks lie in order of their numbers, from its beginning or, where it has wrapped,
    from the oldest block on; once more where they do not, or where the header is lost.
    """
    identity = identify(source)
    report = VerifyReport(name, source.size, identity.header_status, identity.header, identity.journal_id)
    told = Findings()
    tell_header(told, identity)
    in_order = _check_file(source, identity, report, told)
    try:
        if identity.journal_id is None or not in_order.holds:
            journal = Journal(source, name)
            in_order = InOrder()
            by_number(journal.block_tables(), in_order)
        if identity.header is not None:
            in_order.numbers.end(identity.header.blocks - 1)
        first = in_order.numbers.first
        tell_contents(report, told, in_order, wrapped=first is not None and first > 1)
    except DamageError as error:
        told.add("damage", 0, 0, "not_a_journal", error.what)
    report.take(told)
    return report


def tell_header(told: Findings, identity: Identity) -> None:
    """A header that is lost is damage."""
    if identity.header is None:
        reason = identity.header_status.name.lower()
        told.add("damage", 0, 1, reason, f"the journal's header: {STATUS_WORDS[identity.header_status]}")


@dataclass
class InOrder:
    """Numbers and frames, as long as each block comes after the ones of lower numbers; else ``holds`` is False."""

    numbers: NumberCheck = field(default_factory=NumberCheck)
    frames: FrameCheck = field(default_factory=FrameCheck)
    holds: bool = True
    _shifts: set[int] = field(default_factory=set)

    def add(self, blocks: BlockTable, frames: FrameTable) -> None:
        """Take in the next blocks of the file, and the frames of those that are intact."""
        if not self.holds:
            return
        number = blocks.number[blocks.intact]
        last = 0 if self.numbers.last is None else self.numbers.last
        self._shifts.update(np.unique(blocks.shift[blocks.intact]).tolist())
        # Readers follow only so many shifts.
        self.holds = bool(np.all(np.diff(number, prepend=last) > 0)) and len(self._shifts) <= SHIFTS_MAX
        if self.holds:
            self.numbers.add(number, blocks.position[blocks.intact])
            self.frames.add(frames)


def _check_file(source: ByteSource, identity: Identity, report: VerifyReport, told: Findings) -> InOrder:
    """Every block in the order of the file; numbers and frames on the same way, for they mostly lie in order too."""
    first, stop = 1 if identity.header else 0, block_total(source)
    oldest = oldest_position(source, identity)
    found = InOrder()
    parts = []
    for begin, end in ((oldest, stop), (first, oldest)):
        part = BlockCheck(identity.header, begin, report.blocks)
        for blocks in scan_blocks(source, identity.journal_id, begin, end):
            frames, unexplained = frames_of(blocks)
            part.add(blocks, unexplained)
            found.add(blocks, frames)
        parts.append(part)
    tell_parts(told, parts[::-1])
    if report.blocks.foreign:
        text = f"{report.blocks.foreign} blocks of an older journal lie in the file"
        told.add("note", first, report.blocks.foreign, "foreign_journal", text)
    return found


def by_number(tables: Iterable[BlockTable], found: InOrder, run: int | None = None) -> None:
    """Add to ``found`` the numbers of a journal whose blocks lie in another order, or some of them twice, and the
    frames, of ``run`` only if given; ``tables`` has the blocks in order of number."""
    for blocks in tables:
        frames, _ = frames_of(blocks)
        copies = copies_of(frames)
        found.numbers.add(blocks.number[blocks.intact], blocks.position[blocks.intact])
        if run is not None:
            frames, copies = frames.taken(frames.run == run), copies[frames.run == run]
        found.frames.add(frames, copies)


def tell_contents(report: VerifyReport, told: Findings, found: InOrder, *, wrapped: bool) -> None:
    """Put what the blocks hold into the report; ``wrapped``: its first run has rightly lost its beginning."""
    numbers, frames = found.numbers, found.frames
    report.first_block, report.last_block, report.missing_blocks = numbers.first, numbers.last, numbers.missing
    told.join(numbers.findings)
    told.join(frames.findings)
    surveyed = frames.surveyed
    report.runs = surveyed.runs
    report.notes = description_notes(surveyed)
    report.oddities = tuple(odd for run in report.runs for odd in surveyed.oddities(run.run))[:FINDINGS_MAX]
    _name_messages(report, told, frames)
    _check_runs(report, told, wrapped=wrapped)


def _name_messages(report: VerifyReport, told: Findings, frames: FrameCheck) -> None:
    """Count frames by message, and say which of them this version does not know by itself."""
    for code in np.flatnonzero(frames.counts).tolist():
        count, name = int(frames.counts[code]), frames.surveyed.name(code)
        report.frames_by_message[name] = report.frames_by_message.get(name, 0) + count
        if name == f"unknown_{code}":
            text = f"{count} frames with message code {code}, which this version does not know"
            told.add("note", 0, 0, "unknown_code", text)
        elif code not in MESSAGES:
            text = f"{count} frames of {name} (message code {code}), known from the runs' own descriptions alone"
            told.add("note", 0, 0, "described_code", text)


def _check_runs(report: VerifyReport, told: Findings, *, wrapped: bool) -> None:
    for run in report.runs:
        if run.start is None:
            # Once a journal has wrapped its oldest run has rightly lost its beginning.
            severity = "note" if wrapped and run is report.runs[0] else "damage"
            told.add(severity, 0, 0, "no_run_start", f"run {run.run} has no {RunStart.NAME} frame")
        if run.end is None:
            told.add("note", 0, 0, "no_run_end", f"run {run.run} was cut off: it has no run_end frame")
