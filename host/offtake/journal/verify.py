"""Is a journal whole? Every block and frame checked, every missing block number named; constant memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from offtake.errors import DamageError
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, MESSAGES, JournalHeader, RunStart, Status
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.described import description_notes
from offtake.journal.frames import Frame, frames_of_intact, without_copies
from offtake.journal.layouts import Layouts, is_loggers
from offtake.journal.oddities import Oddity
from offtake.journal.reader import Journal
from offtake.journal.runs import RunInfo
from offtake.journal.scan import Kind, Seen, block_total, identify, lap_length, walk
from offtake.journal.source import ByteSource
from offtake.journal.survey import Survey

FINDINGS_MAX = 1000


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing to tell. ``severity`` is "damage", which makes a journal unclean, or "note". ``position`` and
    ``offset`` (bytes) say where in the file, ``blocks`` how far it reaches."""

    severity: str
    position: int
    blocks: int
    offset: int
    reason: str
    text: str


@dataclass
class BlockCounts:
    """Blocks of the file after its header, by what they are."""

    intact: int = 0
    damaged: int = 0
    foreign: int = 0
    fill: int = 0
    torn: int = 0


@dataclass
class VerifyReport:
    """What :func:`verify` found. ``missing_blocks`` counts numbers that no intact block has, from the oldest
    that can be left to the last. Past 1000 findings ``findings_left_out`` counts. ``frames_by_message`` is of all runs,
    with copies of blocks; each of ``runs`` has its own, without. ``notes`` are sentences about how runs describe their
    messages, and of the ``oddities``: values and rates of sensors' messages that their definition does not foresee, at
    most 1000 of them."""

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

    def add(self, severity: str, position: int, blocks: int, reason: str, text: str, within: int = 0) -> None:
        """Add a finding at block ``position``, ``within`` bytes into it."""
        self.damage += severity == "damage"
        if len(self.findings) < FINDINGS_MAX:
            offset = position * BLOCK_SIZE + within
            self.findings.append(Finding(severity, position, blocks, offset, reason, text))
        else:
            self.findings_left_out += 1


def verify(source: ByteSource, name: str = "journal") -> VerifyReport:
    """Check everything and report. No content is an error: a source that is no journal gives a report that says so.

    Damage: a header or block that fails its checks, a block out of its place, a frame that fails within an intact
    block or does not decode, a block number missing from the oldest that can be left to the last, a file that ends
    inside a block.
    Notes: what a power cut or an older journal leaves behind rightly.
    """
    identity = identify(source)
    report = VerifyReport(name, source.size, identity.header_status, identity.header, identity.journal_id)
    if identity.header is None:
        reason = identity.header_status.name.lower()
        report.add("damage", 0, 1, reason, f"the journal's header: {STATUS_WORDS[identity.header_status]}")
    lap = lap_length(source, identity)
    _check_blocks(source, report, lap)
    try:
        journal = Journal(source, name)
    except DamageError as error:
        report.add("damage", 0, 0, "not_a_journal", error.what)
        return report
    _check_numbers(journal, report, lap)
    counts: dict[int, int] = {}
    surveyed = Survey()
    for frame in without_copies(_checked_frames(journal, report, counts, surveyed.layouts)):
        surveyed.add(frame)
    report.runs = surveyed.runs
    report.notes = description_notes(surveyed)
    report.oddities = tuple(odd for run in report.runs for odd in surveyed.oddities(run.run))[:FINDINGS_MAX]
    _name_messages(report, surveyed, counts)
    _check_runs(report)
    return report


def _check_blocks(source: ByteSource, report: VerifyReport, lap: int) -> None:
    """Count blocks in file order and report damaged stretches."""
    stretch: list[Seen] = []
    first = 1 if report.header else 0
    for seen in walk(source, report.journal_id, first, block_total(source)):
        if seen.position:
            name = seen.kind.value
            setattr(report.blocks, name, getattr(report.blocks, name) + 1)
        if stretch and (seen.kind is not Kind.DAMAGED or seen.status is not stretch[0].status):
            _report_stretch(report, stretch)
            stretch = []
        if seen.kind is Kind.DAMAGED and seen.position:
            stretch = [stretch[0], seen] if stretch else [seen]
        elif seen.kind is Kind.TORN and seen.position:
            text = f"the file ends {len(seen.data)} bytes into a block"
            report.add("damage", seen.position, 1, "torn_end", text)
        elif seen.kind is Kind.INTACT:
            _check_place(report, seen, lap)
    _report_stretch(report, stretch)
    if report.blocks.foreign:
        text = f"{report.blocks.foreign} blocks of an older journal lie in the file"
        report.add("note", first, report.blocks.foreign, "foreign_journal", text)


def _report_stretch(report: VerifyReport, stretch: list[Seen]) -> None:
    if not stretch:
        return
    first, last = stretch[0], stretch[-1]
    text = f"damaged: {STATUS_WORDS[first.status]}"
    report.add("damage", first.position, last.position - first.position + 1, first.status.name.lower(), text)


def _check_place(report: VerifyReport, seen: Seen, lap: int) -> None:
    """Does an intact block lie where its number belongs, and do its frames fill the bytes it says are used?"""
    if seen.header is None:
        return
    number = seen.header.block_number
    if report.header is not None and seen.position != 1 + (number - 1) % lap:
        text = f"block {number} is out of its place, {1 + (number - 1) % lap}"
        report.add("damage", seen.position, 1, "out_of_place", text)
    end = seen.offset + BLOCK_HEADER_SIZE
    bad = 0
    for frame in frames_of_intact(seen):
        bad += frame.offset - end
        end = frame.offset + frame.size
    bad += seen.offset + BLOCK_HEADER_SIZE + seen.header.used_bytes - end
    if bad:
        text = f"{bad} bytes of an otherwise intact block belong to no valid frame"
        report.add("damage", seen.position, 1, "bad_frame", text)


def _check_numbers(journal: Journal, report: VerifyReport, lap: int) -> None:
    """Block numbers that are missing, or that come again, from the oldest that must be there to the last."""
    last: int | None = None
    first_position = 0
    for block in journal.blocks():
        number = block.header.block_number
        if last is None:
            report.first_block = number
            first_position = block.position
        elif number > last + 1:
            _report_missing(report, block.position, last + 1, number - 1)
        elif number == last:
            report.add("damage", block.position, 1, "out_of_order", f"block {number} is there more than once")
        last = number
    report.last_block = last
    if report.header is None or report.first_block is None or last is None:
        return
    # Only a lap's worth of newer blocks takes the place of an older one.
    oldest = max(1, last - lap + 1)
    if report.first_block > oldest:
        _report_missing(report, first_position, oldest, report.first_block - 1)


def _report_missing(report: VerifyReport, position: int, first: int, last: int) -> None:
    missing = last - first + 1
    report.missing_blocks += missing
    text = f"blocks {first} to {last} are missing" if missing > 1 else f"block {first} is missing"
    report.add("damage", position, missing, "missing_blocks", text)


def _checked_frames(
    journal: Journal, report: VerifyReport, counts: dict[int, int], layouts: Layouts
) -> Iterator[Frame]:
    """Count frames by code on their way, and report those that do not decode; ``layouts`` knows those before."""
    for frame in journal.frames():
        counts[frame.code] = counts.get(frame.code, 0) + 1
        status, name = _status(frame, layouts)
        if status is not Status.OK:
            within = frame.offset - frame.position * BLOCK_SIZE
            text = f"a frame of {name}: {STATUS_WORDS[status]}"
            report.add("damage", frame.position, 1, status.name.lower(), text, within)
        yield frame


def _status(frame: Frame, layouts: Layouts) -> tuple[Status, str]:
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


def _name_messages(report: VerifyReport, surveyed: Survey, counts: dict[int, int]) -> None:
    """Count frames by message, and say which of them this version does not know by itself."""
    for code, count in sorted(counts.items()):
        name = surveyed.name(code)
        report.frames_by_message[name] = report.frames_by_message.get(name, 0) + count
        if name == f"unknown_{code}":
            text = f"{count} frames with message code {code}, which this version does not know"
            report.add("note", 0, 0, "unknown_code", text)
        elif code not in MESSAGES:
            text = f"{count} frames of {name} (message code {code}), known from the runs' own descriptions alone"
            report.add("note", 0, 0, "described_code", text)


def _check_runs(report: VerifyReport) -> None:
    for run in report.runs:
        if run.start is None:
            # Once a journal has wrapped its oldest run has rightly lost its beginning.
            wrapped = run is report.runs[0] and report.first_block is not None and report.first_block > 1
            severity = "note" if wrapped else "damage"
            report.add(severity, 0, 0, "no_run_start", f"run {run.run} has no {RunStart.NAME} frame")
        if run.end is None:
            report.add("note", 0, 0, "no_run_end", f"run {run.run} was cut off: it has no run_end frame")
