"""Checks a journal, or one run of it, wherever it lies."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.jobs.indexed import index_notes, with_index
from offtake.journal.salvage import Salvage
from offtake.journal.scan import block_total
from offtake.journal.verify import VerifyReport, verify
from offtake.journal.verify_run import verify_run
from offtake.progress import QUIET, Watch


@dataclass(frozen=True)
class Checked:
    """What was found. ``unreadable`` counts sectors that the medium did not return, ``blocks`` those of the file."""

    report: VerifyReport
    unreadable: int
    blocks: int

    @property
    def clean(self) -> bool:
        """True when nothing that was looked at is damaged, missing or unreadable."""
        return self.report.clean and not self.unreadable


def check(source: Path, run: int | None = None, watch: Watch = QUIET) -> Checked:
    """Check the whole journal, or ``run`` alone: then only its blocks are read, where an index already lies beside the
    file to tell which those are.

    :raises UsageError: no such run. :raises DamageError: no journal on the card, or an empty file.
    :raises InputOutputError: it cannot be read.
    """
    with open_journal(source) as opened:
        watch.over(opened, "checking")
        if run is None:
            report = verify(opened, str(source))
        else:

            def of_run(found: Salvage) -> VerifyReport:
                assert found.index is not None
                return verify_run(opened, str(source), found.index, run, strict=found.by_index)

            report = with_index(source, opened, of_run, whole=False)
            report.notes = (*index_notes(source, opened), *report.notes)
        return Checked(report, len(opened.unreadable), block_total(opened))
