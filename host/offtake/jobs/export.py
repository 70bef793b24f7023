"""Exports a journal, whole or damaged: what salvage recovers, in open formats."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from offtake.card import open_journal
from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.inputs import ExportInput
from offtake.export.kml import write_kml
from offtake.export.measured import MeasuredFile, measured_paths, write_measured
from offtake.export.measured_plan import MeasuredPlan
from offtake.export.messages import write_messages_parquet
from offtake.export.parquet import write_events_parquet, write_fixes_parquet, write_satellites_parquet
from offtake.export.raw import write_raw
from offtake.export.split import split_paths, write_split
from offtake.export.table import write_csv, write_events_csv
from offtake.export.values import ExportCounts
from offtake.generated.dialects import DIALECTS
from offtake.jobs.measured import measured_batches, measured_plan
from offtake.jobs.messages import message_tables
from offtake.jobs.places import require_apart
from offtake.jobs.runs import Hearing, RunLog, baud_of, chosen_runs, damaged_bytes, read_run
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.stream import salvaged_chunks
from offtake.track.summary import TrackSummary, summarize

FORMATS = ("gpx", "kml", "geojson", "csv", "parquet", "messages", "raw", "split")
_Writer = Callable[..., ExportCounts]
# One file each for all runs: what follows the stem, and who writes it.
_FILES: dict[str, tuple[tuple[str, _Writer], ...]] = {
    "gpx": ((".gpx", write_gpx),),
    "kml": ((".kml", write_kml),),
    "geojson": ((".geojson", write_geojson),),
    "csv": ((".csv", write_csv), ("_events.csv", write_events_csv)),
    "parquet": (
        ("_fixes.parquet", write_fixes_parquet),
        ("_satellites.parquet", write_satellites_parquet),
        ("_events.parquet", write_events_parquet),
    ),
}


@dataclass(frozen=True)
class WrittenFile:
    """One exported file; ``counts`` is None for the receiver's bytes."""

    path: Path
    format: str
    size_bytes: int
    counts: ExportCounts | None


@dataclass(frozen=True)
class ExportResult:
    """What was exported. ``damaged_bytes`` are those that salvage left out for damage; the way of ``summary`` is
    that of the analysis, as in the report: over the good fixes while moving. ``measured`` tells more of those of the
    ``files`` that hold measurements."""

    source: str
    journal_id: int | None
    runs: tuple[RunInfo, ...]
    summary: TrackSummary
    files: tuple[WrittenFile, ...]
    damaged_bytes: int
    skipped: dict[str, int]
    notes: tuple[str, ...] = ()
    measured: tuple[MeasuredFile, ...] = ()


@dataclass(frozen=True)
class _Planned:
    """A file, or for ``split`` a run's files, to be written."""

    format: str
    paths: tuple[Path, ...]
    write: Callable[[], ExportCounts | None]


def export(
    source: Path,
    formats: Sequence[str],
    stem: Path,
    *,
    run: int | None = None,
    how: Hearing | None = None,
    replace: bool = False,
) -> ExportResult:
    """Writes ``stem.gpx`` and so on, and for each run ``stem_run1.bin`` and such in the formats ``raw`` and ``split``
    and ``stem_run1_nmea0183.gga.parquet`` and such, a file for each kind of message, in the format ``messages``. With
    ``csv`` and ``parquet`` come the measurements, ``stem_measured_pressure.csv`` and such.

    :raises UsageError: an unknown format or run, a stem without a name, or a file that exists and no ``replace``
        (then none is written).
    :raises DamageError: nothing of a journal in ``source``.
    :raises InputOutputError: reading or writing fails.
    """
    how = how or Hearing()
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"no format {', '.join(unknown) or 'named'}", expected=f"some of {', '.join(FORMATS)}")
    if stem.name in ("", ".."):
        raise UsageError("no name for the files", where=str(stem), expected="a folder and the beginning of a name")
    with open_journal(source) as opened:
        found = salvage(opened, str(source))
        runs = chosen_runs(found, run, source)
        bytes_wanted = _plan_bytes(found, formats, stem, runs, how, replace)
        plan = measured_plan(found, runs)
        paths = [*(path for one in bytes_wanted for path in one.paths), *_table_paths(formats, stem)]
        paths += measured_paths(plan, stem, formats)
        require_apart(source, paths)
        if not replace:
            _require_free(paths)
        logs = [read_run(found, info, how, measured=False) for info in runs]
        tracks = [log.track for log in logs]
        events = [event for log in logs for event in log.events]
        label = found.header.label if found.header else ""
        inputs = ExportInput(tracks, [log.analysis for log in logs], events, label)
        plans = [*_plan_tables(inputs, formats, stem, replace), *bytes_wanted]
        written = tuple(file for one in plans for file in _write(one))
        measured = _measured(found, plan, logs, stem, formats, label, replace)
        written += tuple(WrittenFile(one.path, one.format, one.path.stat().st_size, None) for one in measured)
        if "messages" in formats:
            written += tuple(file for log in logs for file in _messages(found, log, stem, how, replace))
        notes = [note for log in logs for note in (*log.track.notes, *log.measured_notes)] + list(plan.notes)
        account = found.account
        way_m = sum(log.analysis.distance_m for log in logs)
        return ExportResult(
            opened.description, found.journal_id, runs, summarize(tracks, way_m=way_m), written,
            damaged_bytes(account), dict(account.skipped),
            tuple(dict.fromkeys(notes)),
            measured,
        )  # fmt: skip


def _measured(
    found: Salvage, plan: MeasuredPlan, logs: Sequence[RunLog], stem: Path, formats: Sequence[str], label: str,
    replace: bool,
) -> tuple[MeasuredFile, ...]:  # fmt: skip
    batches = ((log.track, measured_batches(found, log.info.run)) for log in logs)
    return write_measured(plan, batches, stem, formats, label=label, replace=replace)


def _messages(found: Salvage, log: RunLog, stem: Path, how: Hearing, replace: bool) -> list[WrittenFile]:
    chunks = salvaged_chunks(found, log.info.run)
    tables = message_tables(chunks, _dialects(how), baud_of(found, log.info), log.track.timeline)
    base = stem.with_name(f"{stem.name}_run{log.info.run}")
    files = write_messages_parquet(tables, base, replace=replace)
    return [WrittenFile(file.path, "messages", file.path.stat().st_size, None) for file in files]


def _dialects(how: Hearing) -> tuple[AnyDialect, ...]:
    return tuple({**DIALECTS, **{dialect.name: dialect for dialect in how.dialects}}.values())


def _table_paths(formats: Sequence[str], stem: Path) -> list[Path]:
    return [
        stem.with_name(stem.name + ending) for name in dict.fromkeys(formats) for ending, _ in _FILES.get(name, ())
    ]


def _plan_tables(inputs: ExportInput, formats: Sequence[str], stem: Path, replace: bool) -> list[_Planned]:
    plans = []
    for name in dict.fromkeys(formats):
        for ending, writer in _FILES.get(name, ()):
            path = stem.with_name(stem.name + ending)
            plans.append(_Planned(name, (path,), partial(writer, inputs, path, replace=replace)))
    return plans


def _plan_bytes(
    found: Salvage, formats: Sequence[str], stem: Path, runs: Sequence[RunInfo], how: Hearing, replace: bool
) -> list[_Planned]:
    dialects = _dialects(how)
    plans: list[_Planned] = []
    for name in (name for name in dict.fromkeys(formats) if name in ("raw", "split")):
        for info in runs:
            base = stem.with_name(f"{stem.name}_run{info.run}")
            if name == "raw":
                path = base.with_name(base.name + ".bin")
                plans.append(_Planned(name, (path,), partial(_raw, found, info.run, path, replace)))
                continue
            paths = tuple(split_paths(base, dialects).values())
            plans.append(_Planned(name, paths, partial(_split, found, info.run, base, dialects, replace)))
    return plans


def _raw(found: Salvage, run: int, path: Path, replace: bool) -> None:
    write_raw((chunk.data for chunk in salvaged_chunks(found, run)), path, replace=replace)


def _split(found: Salvage, run: int, base: Path, dialects: Sequence[AnyDialect], replace: bool) -> None:
    write_split(salvaged_chunks(found, run), base, dialects=dialects, replace=replace)


def _require_free(paths: Sequence[Path]) -> None:
    for path in paths:
        if os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="a new name, or --replace")


def _write(plan: _Planned) -> list[WrittenFile]:
    counts = plan.write()
    return [WrittenFile(path, plan.format, path.stat().st_size, counts) for path in plan.paths]
