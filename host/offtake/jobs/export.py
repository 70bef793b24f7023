"""Exports a journal, whole or damaged: what salvage recovers, in open formats."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.errors import UsageError
from offtake.export.aside import Together, require_folder
from offtake.export.frames import columns_of_run, frame_files, frame_plan, frames_path
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import write_kml
from offtake.export.marks import RunMarks, marks_in
from offtake.export.measured import MeasuredFile, MeasuredFiles, measured_files, measured_paths
from offtake.export.measured_plan import MeasuredPlan
from offtake.export.measured_rows import Stamper
from offtake.export.messages import write_messages_parquet
from offtake.export.positions import Positions
from offtake.export.raw import write_raw
from offtake.export.span import RunSpan, Span
from offtake.export.split import split_paths, write_split
from offtake.export.values import ExportCounts
from offtake.jobs.export_run import RunReader, dialects_of, frames_in, keep_line, messages_in, nothing_in_span, readers
from offtake.jobs.export_summary import SummaryOfParts
from offtake.jobs.export_tables import ExportTables, table_paths
from offtake.jobs.indexed import index_notes, with_index
from offtake.jobs.measured import measured_notes, measured_plan
from offtake.jobs.messages import message_tables
from offtake.jobs.places import require_apart
from offtake.jobs.runs import Hearing, RunLog, RunPart, baud_of, chosen_runs, damaged_bytes
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage
from offtake.progress import QUIET, Watch
from offtake.track.fix import Track
from offtake.track.summary import TrackSummary, distance_m
from offtake.track.timeline import TimeLine
from offtake.track.timeline.join import PartsLine, steps_back

FORMATS = ("gpx", "kml", "geojson", "csv", "parquet", "messages", "frames", "raw", "split")
_WHOLE: dict[str, Callable[..., ExportCounts]] = {"gpx": write_gpx, "kml": write_kml, "geojson": write_geojson}
"""Formats in which a run is written in one piece."""
_OF_BYTES = ("frames", "raw", "split")
"""Formats for which nobody needs to know where anything was."""


@dataclass(frozen=True)
class WrittenFile:
    """One exported file; ``counts`` is None where it holds no positions or events."""

    path: Path
    format: str
    size_bytes: int
    counts: ExportCounts | None


@dataclass(frozen=True)
class ExportResult:
    """What was exported. ``damaged_bytes`` are those that salvage left out for damage; the way of ``summary`` is
    that of the analysis, as in the report: over the good fixes while moving; it is None where the receiver's bytes were
    only passed on. ``measured`` tells more of those of the ``files`` that hold measurements."""

    source: str
    journal_id: int | None
    runs: tuple[RunInfo, ...]
    summary: TrackSummary | None
    files: tuple[WrittenFile, ...]
    damaged_bytes: int
    skipped: dict[str, int]
    notes: tuple[str, ...] = ()
    measured: tuple[MeasuredFile, ...] = ()


def export(
    source: Path,
    formats: Sequence[str],
    stem: Path,
    *,
    run: int | None = None,
    span: Span | None = None,
    how: Hearing | None = None,
    replace: bool = False,
    watch: Watch = QUIET,
) -> ExportResult:
    """Writes ``stem.gpx`` and so on, and for each run ``stem_run1.bin`` and such in the formats ``raw`` and ``split``
    and ``stem_run1_nmea0183.gga.parquet`` and such, a file for each kind of message, in the format ``messages``. With
    ``csv`` and ``parquet`` come the measurements, ``stem_measured_pressure.csv`` and such; ``frames`` are
    ``stem_frames_raw.parquet`` and such. The files appear together when all are whole.

    Of a ``span`` only the blocks are read that may hold something of it, once a run's time line is known: rows that lie
    in it, chunks of bytes that begin in it. Fixes' and messages' own numbers and offsets then count from the first one
    read, and what is doubtful is judged by what is read.

    :raises UsageError: an unknown format or run, a stem without a name, nothing in the ``span``, or a file that exists
        and no ``replace`` (then none is written).
    :raises DamageError: nothing of a journal in ``source``.
    :raises InputOutputError: reading or writing fails.
    """
    how = how or Hearing()
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"no format {', '.join(unknown) or 'named'}", expected=f"some of {', '.join(FORMATS)}")
    if stem.name in ("", ".."):
        raise UsageError("no name for the files", where=str(stem), expected="a folder and the beginning of a name")
    require_folder(stem)
    with open_journal(source) as opened:
        watch.over(opened, "reading")

        def exported(found: Salvage) -> ExportResult:
            chosen, notes, lasts = readers(found, source, opened, chosen_runs(found, run, source), how, watch, span)
            if span is not None and not chosen:
                raise nothing_in_span(source, lasts)
            notes = (*index_notes(source, opened), *notes)
            job = _Export(found, chosen, tuple(dict.fromkeys(formats)), stem, notes, watch)
            watch.expect(1 + job.phases())
            paths = job.paths()
            require_apart(source, paths)
            if not replace:
                _require_free(paths)
            with Together(replace=replace) as together:
                lines = job.write(together)
                if span is not None and not job.content:
                    raise nothing_in_span(source, lasts)
            for reader, line in lines:
                keep_line(reader, source, opened, line)
            return job.result(opened.description)

        return with_index(source, opened, exported, whole=run is None and span is None)


class _Export:
    """One export, from the salvaged journal to its files."""

    def __init__(
        self, found: Salvage, runs: Sequence[RunReader], formats: Sequence[str], stem: Path, notes: Sequence[str],
        watch: Watch,
    ) -> None:  # fmt: skip
        self._found = found
        self._runs = tuple(runs)
        self._formats = formats
        self._stem = stem
        self._notes = list(notes)
        self._watch = watch
        self._label = found.header.label if found.header else ""
        infos = [reader.info for reader in runs]
        self._plan = measured_plan(found, infos) if {"csv", "parquet"} & set(formats) else MeasuredPlan()
        frames = "frames" in formats
        self._frame_plan = frame_plan(found.survey(), [info.run for info in infos]) if frames else MeasuredPlan()
        self._summary = SummaryOfParts()
        # Rows, places and bytes that were written.
        self.content = 0
        self._whole: list[RunLog] = []
        # The counts of each file, in the order in which they are told of.
        self._files: dict[str, list[tuple[Path, ExportCounts | None]]] = {name: [] for name in formats}
        self._measured: tuple[MeasuredFile, ...] = ()

    def phases(self) -> int:
        """How many times something is gone through, at least: a long run is read once more for the maps' formats."""
        formats = set(self._formats)
        a_run = bool(formats - set(_OF_BYTES)) + bool(self._plan.tables) + bool(self._frame_plan.tables)
        a_run += len(formats & {"messages", "raw", "split"})
        return a_run * len(self._runs) + len(formats & set(_WHOLE))

    def paths(self) -> list[Path]:
        """All files that can be told beforehand; those of messages cannot."""
        paths = [self._named(f".{name}") for name in self._formats if name in _WHOLE]
        paths += [path for _, _, path in table_paths(self._formats, self._stem)]
        paths += measured_paths(self._plan, self._stem, self._formats)
        paths += [frames_path(table, self._stem) for table in self._frame_plan.tables]
        for reader in self._runs:
            paths += [self._of_run(reader, ".bin")] if "raw" in self._formats else []
            if "split" in self._formats:
                paths += split_paths(self._of_run(reader), dialects_of(reader.how)).values()
        return paths

    def write(self, together: Together) -> list[tuple[RunReader, TimeLine | None]]:
        """Write all files; the time lines that were found."""
        lines: list[tuple[RunReader, TimeLine | None]] = []
        with ExitStack() as stack:
            tables = ExportTables(self._formats, self._stem, self._label, together, stack)
            measured = stack.enter_context(
                measured_files(self._plan, self._stem, self._formats, label=self._label, among=together)
            )
            for reader in self._runs if set(self._formats) - set(_OF_BYTES) else ():
                lines.append((reader, self._decoded(reader, tables, measured, together)))
            for name, table, path in table_paths(self._formats, self._stem):
                self._files[name].append((path, tables.counts(table)))
            self._measured = measured.written
        self.content += self._summary.summary(0).epochs + sum(one.rows for one in self._measured if one.message)
        self._write_whole(together)
        self._write_frames(together)
        for reader in self._runs:
            if "raw" in self._formats:
                path = self._of_run(reader, ".bin")
                data = (window.data for window in reader.windows_inside("raw"))
                self.content += write_raw(data, path, among=together)
                self._files["raw"].append((path, None))
            if "split" in self._formats:
                windows, dialects = reader.windows_inside("split"), dialects_of(reader.how)
                parts = write_split(windows, self._of_run(reader), dialects=dialects, among=together)
                self._files["split"] += [(part.path, None) for part in parts]
                self.content += sum(part.size_bytes for part in parts)
        return lines

    def _decoded(
        self, reader: RunReader, tables: ExportTables, measured: MeasuredFiles, together: Together
    ) -> TimeLine | None:
        """Write what needs to know when and where everything was in one run; its time line."""
        run = reader.info.run
        positions, joined = Positions(), PartsLine()
        marks = RunMarks(run, positions)
        last: list[RunPart] = []
        with closing(reader.parts(dealt=bool(tables))) as parts:
            for part in parts:
                line = reader.span.line if reader.span else part.track.timeline
                tables.add(part, reader.span, self._watch)
                positions.add(part.track.fixes, part.number)
                marks.add(part.gaps, part.glitches, part.events, line)
                joined.add(part.track.timeline, part.from_tick_us, part.until_tick_us)
                self._add_to_summary(part, reader.span)
                self._notes += part.track.notes
                last = [part] if set(self._formats) & set(_WHOLE) else []
                # Else it would stay while the next is made.
                del part
        line = reader.span.line if reader.span else joined.line
        self._notes += steps_back(joined.line)
        kept_marks = marks_in(marks.marks(), reader.span)
        tables.add_marks(kept_marks)
        self.content += len(kept_marks) if set(self._formats) - {"messages", *_OF_BYTES} else 0
        self._notes += measured_notes(self._found, run)
        self._whole += map(reader.whole, last)
        measured.add(Stamper(positions, line), reader.measured() if self._plan.tables else ())
        if "messages" in self._formats:
            baud = baud_of(self._found, reader.info)
            messages = message_tables(reader.windows("messages"), dialects_of(reader.how), baud, line)
            kept = messages_in(messages, reader.span)
            files = write_messages_parquet(kept, self._of_run(reader), among=together)
            self._files["messages"] += [(file.path, None) for file in files]
            self.content += sum(file.rows for file in files)
        return line

    def _add_to_summary(self, part: RunPart, span: RunSpan | None) -> None:
        track = part.track
        if span is None:
            self._summary.add(track, part.analysis.distance_m)
            return
        kept = track.fixes.taken(span.keeps(track.fixes.tick_us, track.fixes.utc_us))
        self._summary.add(Track(track.run, kept, track.counts), distance_m(kept))

    def _write_whole(self, together: Together) -> None:
        logs = self._whole
        events = [event for log in logs for event in log.events]
        spans = {reader.info.run: reader.span for reader in self._runs if reader.span}
        inputs = ExportInput(
            [log.track for log in logs], [log.analysis for log in logs], events, self._label, spans
        )  # fmt: skip
        together.on_write = self._watch.on_write
        for name in self._formats:
            if name in _WHOLE:
                self._watch.writing(f"writing {name}")
                path = self._named(f".{name}")
                self._files[name].append((path, _WHOLE[name](inputs, path, among=together)))
        together.on_write = None

    def _write_frames(self, together: Together) -> None:
        layouts, plan = self._found.survey().layouts, self._frame_plan
        with frame_files(plan, self._stem, self._label, among=together) as files:
            for reader in self._runs if plan.tables else ():
                tables = columns_of_run(reader.timed("frames"), reader.info.run, layouts, plan, self._label)
                self.content += files.add(frames_in(tables, reader.span))
        if "frames" in self._formats:
            self._files["frames"] = [(frames_path(table, self._stem), None) for table in plan.tables]

    def result(self, source: str) -> ExportResult:
        """What is to be said of it, when the files are in place."""
        files = [
            WrittenFile(path, name, path.stat().st_size, counts)
            for name in self._formats for path, counts in self._files[name]
        ]  # fmt: skip
        files += [WrittenFile(one.path, one.format, one.path.stat().st_size, None) for one in self._measured]
        account = self._found.account
        notes = (*self._notes, *self._plan.notes, *self._frame_plan.notes)
        decoded = set(self._formats) - set(_OF_BYTES)
        return ExportResult(
            source, self._found.journal_id, tuple(reader.info for reader in self._runs),
            self._summary.summary(len(self._runs)) if decoded else None,
            tuple(files), damaged_bytes(account), dict(account.skipped), tuple(dict.fromkeys(notes)), self._measured,
        )  # fmt: skip

    def _named(self, ending: str) -> Path:
        return self._stem.with_name(self._stem.name + ending)

    def _of_run(self, reader: RunReader, ending: str = "") -> Path:
        return self._named(f"_run{reader.info.run}{ending}")


def _require_free(paths: Sequence[Path]) -> None:
    for path in paths:
        if os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="a new name, or --replace")
