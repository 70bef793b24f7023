"""Pulls a journal, or lists its runs, from wherever it is."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.jobs.places import is_port
from offtake.journal.reader import Journal
from offtake.link import PullResult, RunSeen, list_runs, open_desk, pull_from_desk, pull_from_path
from offtake.link.pull import Progress, require_new
from offtake.link.refusals import require_journal


@dataclass(frozen=True)
class RunList:
    """The runs of the journal ``journal_id``, oldest first."""

    journal_id: int
    runs: tuple[RunSeen, ...]


def pull_from(source: Path, target: Path, *, speed: int = 0, progress: Progress | None = None) -> PullResult:
    """Pulls from a port (``speed`` in baud, 0 for the fastest), a card or a file; errors as offtake.link.pull."""
    if not is_port(source):
        return pull_from_path(source, target, progress)
    # Before the port is opened, since that resets the logger.
    require_new(target)
    with open_desk(str(source)) as desk:
        return pull_from_desk(desk, target, progress, baud=speed)


def runs_of(source: Path) -> RunList:
    """The runs of the journal at ``source``, without pulling it. DamageError where there is none."""
    if is_port(source):
        with open_desk(str(source)) as desk:
            description = desk.describe()
            require_journal(description, str(source))
            return RunList(description.journal_id, tuple(list_runs(desk)))
    with open_journal(source) as opened:
        journal = Journal(opened, str(source))
        found = tuple(RunSeen(run.run, run.first_block, run.last_block) for run in journal.runs())
        return RunList(journal.journal_id, found)
