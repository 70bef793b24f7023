"""`offtake verify`: is a journal whole?"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE
from offtake.journal.runs import RunInfo

if TYPE_CHECKING:
    from offtake.generated.records import JournalHeader, RunStart
    from offtake.jobs.verify import Checked
    from offtake.journal.verify import VerifyReport

_SHOWN = 40
_MORE = """\
With --run N only that run's blocks are read, once FILE.index lies beside the
file: the first time, the whole file is read to make it. What is not of the run
is not checked then."""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "check every block and frame of a journal"
    parser = add_verb(verbs, "verify", about, "offtake verify day1.jnl", run, _MORE)
    parser.add_argument("file", type=Path, metavar="FILE", help="journal file, card image or mounted card")
    parser.add_argument("--run", dest="only_run", type=int, metavar="N", help="check only the blocks of run N")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.cli.settings import settings_facts, settings_json
    from offtake.jobs.verify import check

    with show.watching("verify") as watch:
        checked = check(options.file, options.only_run, watch)
    report, unreadable, clean = checked.report, checked.unreadable, checked.clean
    code = EXIT_CLEAN if clean else EXIT_DAMAGE
    told, told_by = _settings(report)
    if options.json:
        values = {**show.plain(report), "clean": clean, "unreadable_sectors": unreadable}
        values |= {"sensor_frames_lost": report.sensor_frames_lost, "sensor_silent": report.sensor_silent}
        values["file_blocks"] = checked.blocks
        values |= {"settings": None if told is None else settings_json(told), "settings_from": told_by}
        values["journal_id"] = None if report.journal_id is None else show.id_text(report.journal_id)
        show.emit_json("verify", {**values, "lost_bytes": report.lost_bytes, "loss_events": report.loss_events})
        return code
    blocks = report.blocks
    damaged = blocks.damaged + blocks.torn
    lost, silent = report.sensor_frames_lost, report.sensor_silent
    sensors = [("of sensors", show.sensors_lost(lost, silent))] if lost + silent else []
    show.facts(
        [
            ("journal", show.id_text(report.journal_id)),
            ("label", show.label_text(report.header.label) if report.header else "-"),
            *([("settings", "not known: no header, no run's start")] if told is None else settings_facts(told)),
            *([("", f"as {told_by} tells them")] if told is not None and report.header is None else []),
            ("size", f"{report.size:,} bytes"),
            *_only_run(checked),
            ("blocks", f"{blocks.intact:,} intact, {damaged:,} damaged, {report.missing_blocks:,} missing"),
            ("", f"{blocks.fill:,} unused, {blocks.foreign:,} of another journal"),
            ("frames", f"{sum(report.frames_by_message.values()):,}"),
            ("counted lost", f"{report.lost_bytes:,} bytes of the line, {report.loss_events:,} other events"),
            *sensors,
            ("unreadable", f"{unreadable:,} sectors"),
        ]
    )
    print()
    rows = [(r.run, r.first_block, r.last_block, r.frames, r.raw_bytes, r.lost_bytes, _end(r)) for r in report.runs]
    show.table(("run", "first block", "last block", "frames", "bytes", "lost", "end"), rows)
    show.frames_by_run(report.runs, report.notes)
    # The notes have said that of each run.
    findings = [finding for finding in report.findings if finding.reason != "unknown_code"]
    if findings:
        print()
    for finding in findings[:_SHOWN]:
        show.paragraph(f"{finding.severity}: block {finding.position:,}, byte {finding.offset:,}: {finding.text}")
    left = len(findings) - _SHOWN + report.findings_left_out
    if left > 0:
        print(f"and {left:,} more (--json lists a thousand)")
    far = "" if report.only_run is None else f", as far as run {report.only_run} goes"
    print(f"clean{far}" if clean else "not clean")
    return code


def _only_run(checked: Checked) -> list[tuple[str, str]]:
    run, blocks = checked.report.only_run, checked.report.blocks
    if run is None:
        return []
    read = blocks.intact + blocks.damaged + blocks.torn + blocks.fill + blocks.foreign
    return [("checked", f"only run {run} was checked: {read:,} of the file's {checked.blocks:,} blocks")]


def _settings(report: VerifyReport) -> tuple[JournalHeader | RunStart | None, str | None]:
    """The settings that count, and where they stand: in the header, or where that is lost in the last run's start."""
    if report.header is not None:
        return report.header, "the header"
    starts = [(run.start, f"the start of run {run.run}") for run in report.runs if run.start is not None]
    return starts[-1] if starts else (None, None)


def _end(run: RunInfo) -> str:
    return run.end.reason.name.lower() if run.end else "cut off"
