"""Verify block by block and frame by frame, as it was before tables: the oracle of :mod:`offtake.journal.verify`."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.errors import DamageError
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, MESSAGES, RunStart, Status
from offtake.journal.codec import STATUS_WORDS
from offtake.journal.described import description_notes
from offtake.journal.findings import FINDINGS_MAX, Finding
from offtake.journal.frames import Frame, frames_of_intact
from offtake.journal.layouts import Layouts
from offtake.journal.scan import Kind, Seen, block_total
from offtake.journal.source import ByteSource
from offtake.journal.verify import VerifyReport
from offtake.journal.verify_frames import status_of
from scalar_frames import without_copies
from scalar_reader import ScalarJournal
from scalar_scan import scalar_identify, scalar_lap_length, walk
from scalar_survey import ScalarSurvey


def scalar_verify(source: ByteSource, name: str = "journal") -> VerifyReport:
    """Check everything and report. No content is an error: a source that is no journal gives a report that says so.

    Damage: a header or block that fails its checks, a block out of its place, a frame that fails within an intact
    block or does not decode, a block number missing from the oldest that can be left to the last, a file that ends
    inside a block.
    Notes: what a power cut or an older journal leaves behind rightly.
    """
    identity = scalar_identify(source)
    report = VerifyReport(name, source.size, identity.header_status, identity.header, identity.journal_id)
    if identity.header is None:
        reason = identity.header_status.name.lower()
        _add(report, "damage", 0, 1, reason, f"the journal's header: {STATUS_WORDS[identity.header_status]}")
    lap = scalar_lap_length(source, identity)
    _check_blocks(source, report, lap)
    try:
        journal = ScalarJournal(source, name)
    except DamageError as error:
        _add(report, "damage", 0, 0, "not_a_journal", error.what)
        return report
    _check_numbers(journal, report, lap)
    counts: dict[int, int] = {}
    surveyed = ScalarSurvey()
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
            _add(report, "damage", seen.position, 1, "torn_end", text)
        elif seen.kind is Kind.INTACT:
            _check_place(report, seen, lap)
    _report_stretch(report, stretch)
    if report.blocks.foreign:
        text = f"{report.blocks.foreign} blocks of an older journal lie in the file"
        _add(report, "note", first, report.blocks.foreign, "foreign_journal", text)


def _report_stretch(report: VerifyReport, stretch: list[Seen]) -> None:
    if not stretch:
        return
    first, last = stretch[0], stretch[-1]
    text = f"damaged: {STATUS_WORDS[first.status]}"
    _add(report, "damage", first.position, last.position - first.position + 1, first.status.name.lower(), text)


def _check_place(report: VerifyReport, seen: Seen, lap: int) -> None:
    """Does an intact block lie where its number belongs, and do its frames fill the bytes it says are used?"""
    if seen.header is None:
        return
    number = seen.header.block_number
    if report.header is not None and seen.position != 1 + (number - 1) % lap:
        text = f"block {number} is out of its place, {1 + (number - 1) % lap}"
        _add(report, "damage", seen.position, 1, "out_of_place", text)
    end = seen.offset + BLOCK_HEADER_SIZE
    bad = 0
    for frame in frames_of_intact(seen):
        bad += frame.offset - end
        end = frame.offset + frame.size
    bad += seen.offset + BLOCK_HEADER_SIZE + seen.header.used_bytes - end
    if bad:
        text = f"{bad} bytes of an otherwise intact block belong to no valid frame"
        _add(report, "damage", seen.position, 1, "bad_frame", text)


def _check_numbers(journal: ScalarJournal, report: VerifyReport, lap: int) -> None:
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
            _add(report, "damage", block.position, 1, "out_of_order", f"block {number} is there more than once")
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
    _add(report, "damage", position, missing, "missing_blocks", text)


def _checked_frames(
    journal: ScalarJournal, report: VerifyReport, counts: dict[int, int], layouts: Layouts
) -> Iterator[Frame]:
    """Count frames by code on their way, and report those that do not decode; ``layouts`` knows those before."""
    for frame in journal.frames():
        counts[frame.code] = counts.get(frame.code, 0) + 1
        status, name = status_of(frame, layouts)
        if status is not Status.OK:
            within = frame.offset - frame.position * BLOCK_SIZE
            text = f"a frame of {name}: {STATUS_WORDS[status]}"
            _add(report, "damage", frame.position, 1, status.name.lower(), text, within)
        yield frame


def _name_messages(report: VerifyReport, surveyed: ScalarSurvey, counts: dict[int, int]) -> None:
    """Count frames by message, and say which of them this version does not know by itself."""
    for code, count in sorted(counts.items()):
        name = surveyed.name(code)
        report.frames_by_message[name] = report.frames_by_message.get(name, 0) + count
        if name == f"unknown_{code}":
            text = f"{count} frames with message code {code}, which this version does not know"
            _add(report, "note", 0, 0, "unknown_code", text)
        elif code not in MESSAGES:
            text = f"{count} frames of {name} (message code {code}), known from the runs' own descriptions alone"
            _add(report, "note", 0, 0, "described_code", text)


def _check_runs(report: VerifyReport) -> None:
    for run in report.runs:
        if run.start is None:
            # Once a journal has wrapped its oldest run has rightly lost its beginning.
            wrapped = run is report.runs[0] and report.first_block is not None and report.first_block > 1
            severity = "note" if wrapped else "damage"
            _add(report, severity, 0, 0, "no_run_start", f"run {run.run} has no {RunStart.NAME} frame")
        if run.end is None:
            _add(report, "note", 0, 0, "no_run_end", f"run {run.run} was cut off: it has no run_end frame")


def _add(
    report: VerifyReport, severity: str, position: int, blocks: int, reason: str, text: str, within: int = 0
) -> None:
    report.damage += severity == "damage"
    if len(report.findings) < FINDINGS_MAX:
        offset = position * BLOCK_SIZE + within
        report.findings.append(Finding(severity, position, blocks, offset, reason, text))
    else:
        report.findings_left_out += 1
