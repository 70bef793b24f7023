"""The tables of an export, each as one file, written by what the verb writes them with."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import patch

from offtake.export.aside import Together
from offtake.export.inputs import ExportInput
from offtake.export.marks import marks_of
from offtake.export.values import ExportCounts
from offtake.jobs import export_tables
from offtake.jobs.runs import RunPart


def _written(name: str, table: str, inputs: ExportInput, path: Path, replace: bool) -> ExportCounts:
    """The one ``table`` of format ``name``, under the very name ``path``."""
    with (
        patch.object(export_tables, "_ENDINGS", {name: {table: ""}}),
        Together(replace=replace) as together,
        ExitStack() as stack,
    ):
        tables = export_tables.ExportTables([name], path, inputs.label, together, stack)
        for track in inputs.tracks:
            part = SimpleNamespace(track=track, analysis=inputs.analysis(track.run), number=0)
            tables.add(cast(RunPart, cast(Any, part)))
        tables.add_marks(marks_of(inputs) if table == "events" else ())
        return tables.counts(table)


def write_csv(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Every epoch."""
    return _written("csv", "fixes", inputs, path, replace)


def write_events_csv(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Every gap, glitch and event."""
    return _written("csv", "events", inputs, path, replace)


def write_fixes_parquet(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Every epoch."""
    return _written("parquet", "fixes", inputs, path, replace)


def write_events_parquet(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Every gap, glitch and event."""
    return _written("parquet", "events", inputs, path, replace)


def write_satellites_parquet(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Every satellite."""
    return _written("parquet", "satellites", inputs, path, replace)
