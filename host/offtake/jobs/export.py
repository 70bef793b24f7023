"""Exports a journal, whole or damaged: what salvage recovers, in open formats."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.errors import DamageError, UsageError
from offtake.export.geojson import write_geojson
from offtake.export.gpx import write_gpx
from offtake.export.kml import write_kml
from offtake.export.raw import write_raw
from offtake.export.table import write_csv
from offtake.export.values import ExportCounts
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Account, Salvage, salvage
from offtake.journal.stream import salvaged_chunks
from offtake.track.build import read_track
from offtake.track.fix import Track
from offtake.track.summary import TrackSummary, summarize

FORMATS = ("gpx", "kml", "geojson", "csv", "raw")
BAUD_ASSUMED = 57_600
"""Where neither the run's start nor the journal's header is left to say it; only the times of single bytes need it."""
RIGHTLY_SKIPPED = ("fill", "foreign_journal")
"""What salvage skips in a journal that nothing happened to."""


@dataclass(frozen=True)
class WrittenFile:
    """One exported file; ``counts`` is None for raw bytes."""

    path: Path
    format: str
    size_bytes: int
    counts: ExportCounts | None


@dataclass(frozen=True)
class ExportResult:
    """What was exported. ``damaged_bytes`` are those that salvage had to leave out for damage."""

    source: str
    journal_id: int | None
    runs: tuple[RunInfo, ...]
    summary: TrackSummary
    files: tuple[WrittenFile, ...]
    damaged_bytes: int
    skipped: dict[str, int]


def damaged_bytes(account: Account) -> int:
    """Bytes skipped for damage, not because nothing of this journal was ever there."""
    return sum(count for reason, count in account.skipped.items() if reason not in RIGHTLY_SKIPPED)


def export(
    source: Path, formats: Sequence[str], stem: Path, *, run: int | None = None, replace: bool = False
) -> ExportResult:
    """Writes ``stem.gpx`` and so on, and ``stem_run1.bin`` for each run in the format ``raw``.

    :raises UsageError: an unknown format or run, or a file that exists and no ``replace`` (then none is written).
    :raises DamageError: nothing of a journal in ``source``.
    :raises InputOutputError: reading or writing fails.
    """
    unknown = [name for name in formats if name not in FORMATS]
    if unknown or not formats:
        raise UsageError(f"no format {', '.join(unknown) or 'named'}", expected=f"some of {', '.join(FORMATS)}")
    with open_journal(source) as opened:
        found = salvage(opened, str(source))
        runs = _chosen_runs(found, run, source)
        names = _file_names(formats, stem, runs)
        if not replace:
            _require_free(names)
        tracks = [_track(found, info) for info in runs]
        label = found.header.label if found.header else ""
        written = tuple(_write(found, tracks, name, path, number, label, replace) for name, path, number in names)
        account = found.account
        return ExportResult(
            opened.description, found.journal_id, runs, summarize(tracks), written, damaged_bytes(account),
            dict(account.skipped),
        )  # fmt: skip


def _chosen_runs(found: Salvage, run: int | None, source: Path) -> tuple[RunInfo, ...]:
    runs = found.runs()
    if not runs and found.account.structure_bytes == 0:
        raise DamageError("nothing of a journal in it", where=str(source), expected="a journal, whole or damaged")
    if run is None:
        return runs
    chosen = tuple(info for info in runs if info.run == run)
    if not chosen:
        known = ", ".join(str(info.run) for info in runs) or "none"
        raise UsageError(f"no run {run}", where=str(source), expected=f"one of the runs in it: {known}")
    return chosen


def _file_names(formats: Sequence[str], stem: Path, runs: Sequence[RunInfo]) -> list[tuple[str, Path, int]]:
    """(format, path, run; 0 for all runs in one file)."""
    names: list[tuple[str, Path, int]] = []
    for name in dict.fromkeys(formats):
        if name == "raw":
            names += [(name, stem.with_name(f"{stem.name}_run{info.run}.bin"), info.run) for info in runs]
        else:
            names.append((name, stem.with_name(f"{stem.name}.{name}"), 0))
    return names


def _require_free(names: list[tuple[str, Path, int]]) -> None:
    for _, path, _ in names:
        if os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="a new name, or --replace")


def _track(found: Salvage, info: RunInfo) -> Track:
    baud = info.start.baud if info.start else found.header.baud if found.header else BAUD_ASSUMED
    return read_track(salvaged_chunks(found, info.run), baud=max(1, baud), run=info.run)


def _write(
    found: Salvage, tracks: list[Track], name: str, path: Path, run: int, label: str, replace: bool
) -> WrittenFile:
    counts: ExportCounts | None = None
    if name == "raw":
        write_raw((chunk.data for chunk in salvaged_chunks(found, run)), path, replace=replace)
    elif name == "csv":
        counts = write_csv(tracks, path, replace=replace)
    else:
        writers: dict[str, Callable[..., ExportCounts]] = {"gpx": write_gpx, "kml": write_kml, "geojson": write_geojson}
        counts = writers[name](tracks, path, label=label, replace=replace)
    return WrittenFile(path, name, path.stat().st_size, counts)
