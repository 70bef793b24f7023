"""Collects the journals of a folder into one dataset: finds what is new, has it decoded, and puts it in place."""

from __future__ import annotations

import platform
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from importlib import metadata
from itertools import count
from pathlib import Path

from offtake.card import open_journal
from offtake.collect.crew import Crew, LocalCrew, dask_crew
from offtake.collect.dataset import Dataset, is_dataset, opened_dataset, sees
from offtake.collect.find import Candidate, Reach, candidates_in, reach_of
from offtake.collect.manifest import JournalEntry, SourceEntry, State
from offtake.collect.same import others_among
from offtake.errors import InputOutputError, OfftakeError, UsageError
from offtake.jobs.collect_one import Outcome, Task, collect_one, how_of, reason_of
from offtake.jobs.collect_result import CollectResult, Told, result_of
from offtake.journal.salvage import salvage
from offtake.progress import QUIET, Watch

_SAME = ("offtake", "numpy", "pyarrow")
"""Packages of which all workers must have one version: else the parts' bytes would depend on who made them."""


@dataclass(frozen=True)
class Settings:
    """How to decode, and with whom: ``workers`` processes here (up to 1: this one alone), or those of the
    Dask ``scheduler`` at an address. ``again`` takes everything anew."""

    dialects: tuple[Path, ...] = ()
    latency_ms: float = 0.0
    workers: int = 0
    scheduler: str = ""
    again: bool = False


def collect(folder: Path, dataset: Path, settings: Settings | None = None, watch: Watch = QUIET) -> CollectResult:
    """Bring ``dataset`` up to date with the journals in ``folder``; nothing in ``folder`` is changed.

    It may be interrupted at any moment and called again: what was put in place stays, the rest comes then.

    :raises UsageError: no folder, no journals in it and none in the dataset, or something else in the dataset's.
    :raises InputOutputError: the dataset cannot be written, another program is at it, or the cluster cannot do it.
    """
    settings = settings or Settings()
    if settings.workers < 0 or (settings.workers and settings.scheduler):
        raise UsageError("both workers of one's own and a cluster, or fewer than none", expected="one of them")
    dialects = tuple(path.resolve() for path in settings.dialects)
    how = how_of(dialects, settings.latency_ms)
    if folder.resolve() == dataset.resolve():
        raise UsageError("is the dataset itself", where=str(folder), expected="the folder with the journals")
    found = candidates_in(folder, dataset)
    nothing = UsageError(f"no journals in {folder} (files called *.jnl, or that begin as one)")
    if not found and not is_dataset(dataset):
        raise nothing
    with opened_dataset(dataset.resolve()) as opened:
        if not found and not opened.manifest.journals:
            raise nothing
        known = Task("", 0, 0, str(opened.folder), opened.token, tuple(map(str, dialects)), settings.latency_ms, how)
        job = _Collecting(opened, known, settings.again, watch)
        job.look(found)
        with _crew(settings, known) as crew:
            job.work(crew)
        opened.tell_set_aside()
        opened.clear()
        return job.result()


@contextmanager
def _crew(settings: Settings, known: Task) -> Iterator[Crew]:
    if not settings.scheduler:
        yield LocalCrew(max(1, settings.workers))
        return
    with dask_crew(settings.scheduler, partial(_trouble_here, known, _versions())) as crew:
        yield crew


def _trouble_here(known: Task, versions: dict[str, str]) -> str:
    """Why a worker cannot do the work where it runs; empty when it can."""
    if not sees(known.dataset, known.token):
        return f"it does not see the dataset at {known.dataset}"
    here = _versions()
    wrong = [f"{name} {here.get(name)}, not {has}" for name, has in versions.items() if here.get(name) != has]
    return f"it has {', '.join(wrong)}" if wrong else ""


def _versions() -> dict[str, str]:
    return {"Python": platform.python_version()} | {name: metadata.version(name) for name in _SAME}


class _Collecting:
    """One call's work on a dataset."""

    def __init__(self, dataset: Dataset, known: Task, again: bool, watch: Watch) -> None:
        self._dataset = dataset
        self._manifest = dataset.manifest
        self._known = known
        self._again = again
        self._watch = watch
        # By journal: the files that hold it, the one to take first; and those that were to be looked at.
        self._copies: dict[int, list[tuple[Candidate, Reach]]] = {}
        self._fresh: set[str] = set()
        self._settled: set[str] = set()
        self._here: set[str] = set()
        # By journal: parts that somebody took away out of the dataset.
        self._lacking: dict[int, tuple[str, ...]] = {}
        self._counts = {"taken": 0, "moved": 0}
        self._notes: list[Told] = []

    # ---- what there is ----

    def look(self, found: Sequence[Candidate]) -> None:
        """Look at the files that are new or have changed; what cannot be taken is set aside."""
        self._here = {one.path for one in found}
        journals = self._manifest.journals
        self._lacking = {one: gone for one, entry in journals.items() if (gone := self._dataset.lacks(entry))}
        for candidate in found:
            entry = self._manifest.sources.get(candidate.path)
            if entry is not None and self._is_unchanged(entry, candidate):
                if entry.state != "set_aside":
                    reach = Reach(entry.journal_id, entry.newest, entry.used_bytes)
                    self._copies.setdefault(reach.journal_id, []).append((candidate, reach))
                continue
            self._look_at(candidate)
        for journal_id, copies in self._copies.items():
            self._part_from_others(copies, journals.get(journal_id))
            self._copies[journal_id] = sorted(copies, key=partial(self._rank, journal_id))

    def _is_unchanged(self, entry: SourceEntry, candidate: Candidate) -> bool:
        same = (entry.size, entry.mtime_ns, entry.how) == (candidate.size, candidate.mtime_ns, self._known.how)
        return same and not entry.again and not self._again and entry.journal_id not in self._lacking

    def _look_at(self, candidate: Candidate) -> None:
        self._fresh.add(candidate.path)
        try:
            reach = reach_of(candidate.path)
        except OfftakeError as error:
            again = isinstance(error, InputOutputError)
            self._tell(candidate, None, "set_aside", reason_of(error, candidate.path), again=again)
            return
        self._copies.setdefault(reach.journal_id, []).append((candidate, reach))

    def _part_from_others(self, copies: list[tuple[Candidate, Reach]], before: JournalEntry | None) -> None:
        """Set aside what names the same journal and is no copy of it: one journal has one place in the dataset."""
        for copy, kept in others_among(copies, self._fresh, before):
            copies.remove(copy)
            candidate, reach = copy
            where = kept if kept != candidate.path else "collected from this file before"
            # Looked at again each time: one day it may be the only one.
            reason = f"another recording has the same journal id ({where})"
            self._tell(candidate, reach, "set_aside", reason, again=True)

    def _rank(self, journal_id: int, copy: tuple[Candidate, Reach]) -> tuple[int, int, int, int, str]:
        """The furthest first; of those the one with most that is sound, the one that was taken before, the first."""
        candidate, reach = copy
        rivals = [one for _, one in self._copies[journal_id] if one.newest == reach.newest]
        fresh = any(other.path in self._fresh for other, _ in self._copies[journal_id])
        sound = _sound_bytes(candidate.path) if fresh and len(rivals) > 1 else 0
        entry = self._manifest.journals.get(journal_id)
        taken = entry is not None and entry.path == candidate.path
        return -reach.newest, -sound, -reach.used_bytes, -int(taken), candidate.path

    # ---- what is done ----

    def work(self, crew: Crew) -> None:
        """Have all that is new decoded, and put it in place."""
        waiting = {journal_id: list(copies) for journal_id, copies in self._copies.items()}
        tasks = {task.path: task for one, copies in waiting.items() for task in self._task_of(one, copies)}
        # Of one that another process takes nothing is seen until it is done.
        near = isinstance(crew, LocalCrew) and crew.is_here
        if not near:
            self._watch.phase("journals", sum(task.size for task in tasks.values()))
        while tasks:
            # The longest first: the others go on beside them.
            order = sorted(tasks.values(), key=lambda task: (-task.size, task.path))
            failed: list[int] = []
            begun = count(1)

            def here(task: Task, begun: Iterator[int] = begun, of: int = len(order)) -> Outcome:
                self._watch.part(f"journal {next(begun)} of {of}")
                return collect_one(task, self._watch)

            for task, outcome in crew.results(here if near else collect_one, order, _lost):
                journal_id = self._journal_of(task)
                if not self._end(journal_id, task, outcome):
                    failed.append(journal_id)
                if not near:
                    self._watch.read(task.size)
            # Of a journal that one copy did not give, the next copy is tried.
            tasks = {task.path: task for one in failed for task in self._task_of(one, waiting[one])}
        for journal_id, copies in self._copies.items():
            self._tell_copies(journal_id, copies)
        for journal_id, gone in self._lacking.items():
            if journal_id in self._manifest.journals:
                text = f"of journal {journal_id:08x} the dataset lacks {', '.join(gone)}; no file here has as much"
                self._notes.append(Told(self._manifest.journals[journal_id].path, text))

    def _journal_of(self, task: Task) -> int:
        return next(one for one, copies in self._copies.items() if any(c.path == task.path for c, _ in copies))

    def _task_of(self, journal_id: int, copies: list[tuple[Candidate, Reach]]) -> Iterator[Task]:
        """What is to be done for a journal with the first of its ``copies``, which is taken from them."""
        if not copies:
            return
        candidate, reach = copies.pop(0)
        entry = self._manifest.journals.get(journal_id)
        if entry is not None and entry.newest > reach.newest:
            return  # what was collected before reaches further; that file may be gone
        alike = entry is not None and entry.how == self._known.how and not self._again
        alike = alike and journal_id not in self._lacking
        if alike and candidate.path not in self._fresh and entry is not None and entry.newest == reach.newest:
            return
        known = entry.content if entry is not None and alike else ""
        yield replace(self._known, path=candidate.path, size=candidate.size, mtime_ns=candidate.mtime_ns, known=known)

    def _end(self, journal_id: int, task: Task, outcome: Outcome) -> bool:
        """Takes in what became of a task; False when it came to nothing."""
        candidate, reach = next(one for one in self._copies[journal_id] if one[0].path == task.path)
        if outcome.state == "bad":
            self._copies[journal_id].remove((candidate, reach))
            self._tell(candidate, reach, "set_aside", outcome.reason, again=outcome.again)
            return False
        if outcome.journal is not None:
            if not self._dataset.take(outcome.journal, outcome.ready):
                self._copies[journal_id].remove((candidate, reach))
                self._tell(candidate, reach, "set_aside", "its parts were gone before they were in place", again=True)
                return False
            self._lacking.pop(journal_id, None)
            self._notes += [Told(task.path, note) for note in outcome.journal.notes]
            self._counts["taken"] += 1
        elif self._manifest.journals[journal_id].path != task.path:
            self._manifest.found_at(journal_id, task.path)
            self._counts["moved"] += 1
        self._tell(candidate, reach, "taken")
        self._settled.add(candidate.path)
        return True

    def _tell_copies(self, journal_id: int, copies: Iterable[tuple[Candidate, Reach]]) -> None:
        entry = self._manifest.journals.get(journal_id)
        for candidate, reach in copies:
            if entry is None or candidate.path in self._settled:
                continue
            if entry.path != candidate.path:
                self._tell(candidate, reach, "copy", f"{entry.path} reaches as far or further")
            elif candidate.path in self._fresh:
                self._tell(candidate, reach, "copy", "it reached further when it was collected")

    def _tell(
        self, candidate: Candidate, reach: Reach | None, state: State, reason: str = "", *, again: bool = False
    ) -> None:
        journal_id, newest, used = (reach.journal_id, reach.newest, reach.used_bytes) if reach else (-1, 0, 0)
        self._manifest.tell(
            SourceEntry(
                candidate.path,
                candidate.size,
                candidate.mtime_ns,
                self._known.how,
                state,
                journal_id,
                newest,
                used,
                reason,
                again,
            )
        )

    # ---- what is said of it ----

    def result(self) -> CollectResult:
        """What there is now."""
        return result_of(self._dataset, self._here, self._counts["taken"], self._counts["moved"], self._notes)


def _lost(reason: str) -> Outcome:
    return Outcome("bad", reason=reason, again=True)


def _sound_bytes(path: str) -> int:
    """Bytes that a file gives of its journal; 0 where it cannot be read."""
    try:
        with open_journal(Path(path)) as opened:
            return salvage(opened, path).account.recovered
    except OfftakeError:
        return 0
