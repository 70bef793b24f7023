"""One journal into the parts of a dataset: what a worker does, in this process, in another or on another machine."""

from __future__ import annotations

import hashlib
import os
import shutil
import socket
import threading
from collections.abc import Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.arrow import of_numbers
from offtake.card import OpenedJournal, open_journal
from offtake.collect.dataset import incoming_folder, ready_folder, sees
from offtake.collect.manifest import JournalEntry, entry_of, entry_text, write_whole
from offtake.collect.names import logger_name, message_name, ready_name
from offtake.collect.parts import PartFiles, RunParts
from offtake.collect.same import Ladder
from offtake.errors import InputOutputError, OfftakeError
from offtake.export import measured
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, SATELLITE_COLUMNS, schema_of, table_of
from offtake.export.frames import columns_of_run, frame_plan
from offtake.export.marks import Mark, RunMarks
from offtake.export.measured_rows import Stamper
from offtake.export.positions import Positions
from offtake.export.rows import ROWS_AT_ONCE, fix_rows_of, sky_rows_of
from offtake.generated.records import BLOCK_SIZE, Loss, Supply
from offtake.jobs.export_run import RunReader
from offtake.jobs.measured import measured_notes, measured_plan
from offtake.jobs.runs import chosen_runs, damaged_bytes, hearing
from offtake.journal.bulk.times import TimedTable
from offtake.journal.bulk.window import scan_blocks
from offtake.journal.salvage import salvage
from offtake.journal.tip import find_tip
from offtake.progress import QUIET, Watch
from offtake.track.timeline import TimeLine
from offtake.track.timeline.join import PartsLine, steps_back

LAYOUT = 1
"""Of the parts: what they hold and how. Another number takes every journal anew."""
_OUTCOME = "outcome.json"
_OWN = (Supply.CODE, Loss.CODE)
"""The logger's own messages that have tables."""


@dataclass(frozen=True)
class Task:
    """A journal to be taken: the file, as it was when it was looked at; the dataset's folder and token; how to decode
    it, and in short (``how``). ``known`` is what the dataset has of this journal, decoded in the same way: its bytes'
    digest.
    """

    path: str
    size: int
    mtime_ns: int
    dataset: str
    token: str
    dialects: tuple[str, ...]
    latency_ms: float
    how: str
    known: str = ""


@dataclass(frozen=True)
class Outcome:
    """What became of a task: ``ready`` parts of a ``journal`` that wait to be put in place, the ``same`` journal as is
    known, or a ``bad`` one with the reason; ``again`` says that it may go better another time.
    """

    state: Literal["ready", "same", "bad"]
    journal: JournalEntry | None = None
    ready: str = ""
    reason: str = ""
    again: bool = False


def how_of(dialects: Sequence[Path], latency_ms: float) -> str:
    """A digest of all that the parts depend on beside the journal. InputOutputError: a dialect cannot be read."""
    digest = hashlib.sha256(f"{LAYOUT} {latency_ms!r}".encode())
    for path in dialects:
        try:
            digest.update(hashlib.sha256(path.read_bytes()).digest())
        except OSError as error:
            raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    return digest.hexdigest()


def collect_one(task: Task, watch: Watch = QUIET) -> Outcome:
    """Decode a journal into parts, which lie in the dataset's :func:`ready_folder` then. Trouble with the journal is
    the outcome ``bad``; only trouble with the dataset is raised. ``watch`` is of use in this process only.

    :raises InputOutputError: the dataset cannot be seen or written here.
    """
    if not sees(task.dataset, task.token):
        raise InputOutputError(
            "a worker does not see the dataset's folder", where=f"{socket.gethostname()}: {task.dataset}",
            expected="the same file system, under the same path, for all workers",
        )  # fmt: skip
    own = f"{socket.gethostname()}-{os.getpid()}-{threading.get_ident()}"
    folder = incoming_folder(task.dataset, own)
    try:
        with open_journal(Path(task.path)) as opened:
            watch.over(opened, "reading")
            outcome = _Journal(task, opened, folder, watch).outcome()
        if _has_changed(task):
            return Outcome("bad", reason="it changed while it was read", again=True)
        return outcome
    except OfftakeError as error:
        if error.where.startswith(task.dataset + os.sep):
            raise
        return Outcome("bad", reason=reason_of(error, task.path), again=isinstance(error, InputOutputError))
    except OSError as error:
        # Of the dataset: whatever happens to the journal's file is one of ours by now.
        where = str(error.filename or task.dataset)
        raise InputOutputError(f"cannot write: {error.strerror or error}", where=where) from error
    except Exception as error:
        # A mistake of this program's, or no memory: a season does not stop for one journal, but it is told.
        return Outcome("bad", reason=f"this program failed over it: {type(error).__name__}: {error}", again=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def reason_of(error: OfftakeError, path: str) -> str:
    """What an error says, without the path of the file that it is told of anyway."""
    return str(error).removeprefix(path).lstrip(":, ")


def _has_changed(task: Task) -> bool:
    try:
        seen = os.stat(task.path)
    except OSError:
        return True
    return (seen.st_size, seen.st_mtime_ns) != (task.size, task.mtime_ns)


class _Used:
    """The used part of a journal, as a source of its own."""

    def __init__(self, opened: OpenedJournal, size: int) -> None:
        self.size = size
        self._opened = opened

    def read(self, offset: int, length: int) -> bytes:
        """As the journal's."""
        return self._opened.read(offset, max(0, min(length, self.size - offset)))

    def digest(self, journal_id: int, ladder: Ladder) -> str:
        """SHA-256 of it all; ``ladder`` is shown its blocks."""
        digest = hashlib.sha256()
        for table in scan_blocks(self, journal_id, 0, -(-self.size // BLOCK_SIZE)):
            digest.update(table.data)
            ladder.add(table)
        return digest.hexdigest()


class _Journal:
    """The work on one journal, in ``folder``."""

    def __init__(self, task: Task, opened: OpenedJournal, folder: Path, watch: Watch) -> None:
        self._task = task
        self._watch = watch
        self._folder = folder
        self._tip = find_tip(opened, task.path)
        self._source = _Used(opened, min((self._tip.last + 1) * BLOCK_SIZE, opened.size))
        self._ladder = Ladder(self._tip.newest, self._tip.last + 1)
        self._notes: list[str] = []

    def outcome(self) -> Outcome:
        """Takes the journal, unless it is known, or has been made ready before."""
        content = self._source.digest(self._tip.journal_id, self._ladder)
        if content == self._task.known:
            return Outcome("same")
        ready = ready_name(self._tip.journal_id, content, self._task.how)
        done = ready_folder(self._task.dataset, ready)
        entry = _entry_in(done)
        if entry is None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder.mkdir(parents=True)
            entry = self._made(content)
            write_whole(self._folder / _OUTCOME, entry_text(entry))
            if _entry_in(done) is None:  # else another worker was given it too, and was first
                shutil.rmtree(done, ignore_errors=True)
            with suppress(FileExistsError):
                os.rename(self._folder, done)
        return Outcome("ready", replace(entry, path=self._task.path), ready)

    def _made(self, content: str) -> JournalEntry:
        task = self._task
        self._watch.phase("checking", self._source.size)
        found = salvage(self._source, task.path)
        runs = chosen_runs(found, None, Path(task.path))
        label = found.header.label if found.header else ""
        logger = logger_name(label, self._tip.journal_id)
        parts = PartFiles(self._folder, logger, self._tip.journal_id)
        how = hearing([Path(path) for path in task.dialects], task.latency_ms)
        for info in runs:
            with parts.run(info.run) as files:
                self._notes += _RunTables(RunReader(found, info, how, self._watch), label, files).write()
        return JournalEntry(
            self._tip.journal_id, task.path, content, task.how, logger, self._tip.newest, self._source.size,
            damaged_bytes(found.account), len(runs), tuple(dict.fromkeys(self._notes)), parts.parts(),
            self._ladder.rungs(),
        )  # fmt: skip


def _entry_in(folder: Path) -> JournalEntry | None:
    try:
        return entry_of((folder / _OUTCOME).read_bytes())
    except OSError:
        return None


class _RunTables:
    """The tables of one run, in the order in which they can be told."""

    def __init__(self, reader: RunReader, label: str, files: RunParts) -> None:
        self._found = reader.found
        self._run = reader.info.run
        self._label = label
        self._files = files
        self._reader = reader

    def write(self) -> list[str]:
        """Writes them; what is to be said of the run, in sentences."""
        positions, joined = Positions(), PartsLine()
        marks = RunMarks(self._run, positions)
        fixes, satellites = (schema_of(columns, self._label) for columns in (FIX_COLUMNS, SATELLITE_COLUMNS))
        notes: list[str] = []
        watch = self._reader.watch
        with closing(self._reader.parts(dealt=True)) as parts:
            for part in parts:
                watch.deal(len(part.track.fixes) + len(part.track.skies))
                for rows in fix_rows_of(part.track.fixes, part.analysis, part.number):
                    self._files.write("fixes", table_of(FIX_COLUMNS, fixes, rows))
                    watch.dealt(len(rows.number))
                for skies in sky_rows_of(part.track.skies):
                    self._files.write("satellites", table_of(SATELLITE_COLUMNS, satellites, skies))
                    watch.dealt(len(skies))
                positions.add(part.track.fixes, part.number)
                marks.add(part.gaps, part.glitches, part.events, part.track.timeline)
                joined.add(part.track.timeline, part.from_tick_us, part.until_tick_us)
                notes += part.track.notes
        notes += steps_back(joined.line)
        self._write_events(marks.marks())
        self._write_measured(Stamper(positions, joined.line))
        self._write_own(joined.line or TimeLine())
        return [*notes, *measured_notes(self._found, self._run)]

    def _write_events(self, marks: Sequence[Mark]) -> None:
        schema = schema_of(EVENT_COLUMNS, self._label)
        for first in range(0, len(marks), ROWS_AT_ONCE):
            self._files.write("events", table_of(EVENT_COLUMNS, schema, marks[first : first + ROWS_AT_ONCE]))

    def _write_measured(self, stamper: Stamper) -> None:
        plan = measured_plan(self._found, [self._reader.info])
        schemas = {table.name: measured.schema_of(table, self._label) for table in plan.tables}
        for batch in self._reader.measured() if plan.tables else ():
            table = plan.table(batch.run, batch.code)
            if table is not None:
                rows = measured.table_of(batch, stamper.stamps(batch), schemas[table.name])
                self._files.write(message_name(table.name), rows)

    def _write_own(self, line: TimeLine) -> None:
        """What the logger says of itself: its supply, and what it lost."""
        surveyed = self._found.survey()
        if not any(surveyed.counts(self._run).get(code) for code in _OWN):
            return
        plan = frame_plan(surveyed, [self._run])
        timed = (_only(table, _OWN) for table in self._reader.timed("supply and losses"))
        for name, table in columns_of_run(timed, self._run, surveyed.layouts, plan, self._label):
            self._files.write(name, _stamped(table, line))


def _only(timed: TimedTable, codes: Sequence[int]) -> TimedTable:
    frames, tick_us = timed
    rows = np.flatnonzero(np.isin(frames.code, codes))
    return frames.taken(rows), tick_us[rows]


def _stamped(table: pa.Table, line: TimeLine) -> pa.Table:
    """The table with the time of each row behind its tick."""
    place = table.column_names.index("tick_us")
    utc, _ = line.stamp_many(table.column(place).chunk(0).to_numpy())
    field = pa.field("utc", pa.timestamp("us", "UTC"), metadata={
        "unit": "UTC", "doc": "The same on the run's time line; absent while no date is known.",
    })  # fmt: skip
    return table.add_column(place + 1, field, of_numbers(utc.astype(np.int64), np.isnat(utc), field.type))
