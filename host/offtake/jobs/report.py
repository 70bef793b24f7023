"""Makes the report page of a journal, and its pictures."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.errors import UsageError
from offtake.export.aside import require_folder
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.indexed import index_notes, with_index
from offtake.jobs.places import require_apart
from offtake.jobs.runs import Hearing, chosen_runs, damaged_bytes, read_run
from offtake.journal.described import run_notes
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage
from offtake.journal.verify import VerifyReport, verify
from offtake.journal.verify_run import verify_run
from offtake.progress import QUIET, Watch
from offtake.report.build import build_report
from offtake.report.inputs import ReportInput, RunInput
from offtake.report.write import write_page, write_pictures


@dataclass(frozen=True)
class ReportResult:
    """What was written, and the report's answers in words. ``clean`` as `offtake verify` would say (of the one run that
    the report is of, if it is of one). ``notes`` are sentences about how it was made."""

    page: Path
    page_bytes: int
    pictures: tuple[Path, ...]
    answers: tuple[str, ...]
    clean: bool
    notes: tuple[str, ...] = ()


def report(
    source: Path,
    page: Path,
    *,
    pictures: Path | None = None,
    run: int | None = None,
    how: Hearing | None = None,
    replace: bool = False,
    watch: Watch = QUIET,
) -> ReportResult:
    """Writes the page, and the pictures as PNG files into the folder ``pictures``.

    Of one ``run`` only its blocks are read where an index tells which those are; then the page says of the journal only
    what these show.

    :raises UsageError: no such run, or a file that exists and no ``replace``.
    :raises DamageError: nothing of a journal in ``source``.
    :raises InputOutputError: reading or writing fails.
    """
    require_apart(source, [page])
    if not replace and os.path.lexists(page):
        raise UsageError("exists already", where=str(page), expected="a new name, or --replace")
    require_folder(page)
    with open_journal(source) as opened:
        watch.over(opened, "checking")
        whole = verify(opened, str(source)) if run is None else None
        if whole is not None:
            watch.phase("reading", opened.size)

        def read(found: Salvage) -> tuple[VerifyReport, int, list[RunInput]]:
            chosen = chosen_runs(found, run, source)
            watch.expect(2 + (run is None) + len(chosen) + (pictures is not None))
            if run is None:
                assert whole is not None
                told, damaged = whole, damaged_bytes(found.account)
            else:
                assert found.index is not None
                told, damaged = verify_run(opened, str(source), found.index, run, strict=found.by_index), 0
            return told, damaged, [_run_input(found, info, how or Hearing(), watch) for info in chosen]

        checked, damaged, runs = with_index(source, opened, read, whole=run is None)
        notes = index_notes(source, opened)
    watch.writing("drawing the page")
    made = build_report(ReportInput(source.name, checked, runs))
    size = write_page(made, page, replace=replace)
    if pictures is not None:
        watch.writing("drawing the pictures")
    drawn = write_pictures(made, pictures, replace=replace) if pictures is not None else ()
    answers, clean = tuple(answer.text for answer in made.answers), checked.clean and not damaged
    return ReportResult(page, size, drawn, answers, clean, notes)


def _run_input(found: Salvage, info: RunInfo, how: Hearing, watch: Watch) -> RunInput:
    watch.phase(f"run {info.run}", (info.last_block - info.first_block + 1) * BLOCK_SIZE)
    log = read_run(found, info, how)
    notes = (*log.measured_notes, *(run_notes(found.survey(), info) if log.measured else ()))
    return RunInput(log.info, log.track, log.analysis, log.events, log.end_tick_us, log.measured, notes)
