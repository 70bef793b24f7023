"""Tables as Apache Parquet files: typed, with each column's unit and meaning in its metadata."""

from __future__ import annotations

from pathlib import Path

from offtake.export.aside import Together
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, SATELLITE_COLUMNS, schema_of, table_of
from offtake.export.inputs import ExportInput
from offtake.export.marks import marks_of
from offtake.export.rows import fix_rows, positions_of, sky_rows
from offtake.export.table_files import parquet_file
from offtake.export.values import ExportCounts
from offtake.track.segments import GAP_S


def write_fixes_parquet(
    inputs: ExportInput, path: Path, *, gap_s: float = GAP_S, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write every epoch, those without a position too; null means absent.

    ``gap_s`` only decides the segments that are counted, in runs without an analysis. Raises as
    :func:`offtake.export.table.write_csv` does.
    """
    schema = schema_of(FIX_COLUMNS, inputs.label)
    with parquet_file(path, schema, replace=replace, among=among) as file:
        for rows in fix_rows(inputs):
            file.write(table_of(FIX_COLUMNS, schema, rows))
    return positions_of(inputs, gap_s)


def write_events_parquet(
    inputs: ExportInput, path: Path, *, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write every gap, glitch and event with its evidence, as :func:`write_fixes_parquet` writes epochs."""
    marks = marks_of(inputs)
    schema = schema_of(EVENT_COLUMNS, inputs.label)
    with parquet_file(path, schema, replace=replace, among=among) as file:
        file.write(table_of(EVENT_COLUMNS, schema, marks))
    return ExportCounts(0, 0, 0, marks=len(marks))


def write_satellites_parquet(
    inputs: ExportInput, path: Path, *, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write every satellite of every epoch that told of some, as :func:`write_fixes_parquet` writes epochs."""
    schema = schema_of(SATELLITE_COLUMNS, inputs.label)
    with parquet_file(path, schema, replace=replace, among=among) as file:
        for skies in sky_rows(inputs):
            file.write(table_of(SATELLITE_COLUMNS, schema, skies))
    return ExportCounts(0, 0, 0)
