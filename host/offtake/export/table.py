"""Tables as comma-separated values (RFC 4180): the epochs, and the gaps, glitches and events."""

from __future__ import annotations

from pathlib import Path

from offtake.export.aside import Together
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, schema_of, table_of
from offtake.export.inputs import ExportInput
from offtake.export.marks import marks_of
from offtake.export.rows import fix_rows, positions_of
from offtake.export.table_files import csv_file
from offtake.export.values import ExportCounts
from offtake.track.segments import GAP_S


def write_csv(
    inputs: ExportInput, path: Path, *, gap_s: float = GAP_S, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write every epoch, those without a position too; an empty cell means absent, 1 and 0 yes and no.

    The header names each column with its unit. An epoch without UTC has an empty ``utc``. ``gap_s`` only decides the
    segments that are counted, in runs without an analysis. Raises as :func:`offtake.export.aside.write_aside` does, and
    :class:`~offtake.errors.DamageError` for a position out of range or a value that is not finite.
    """
    schema = schema_of(FIX_COLUMNS)
    with csv_file(path, schema, replace=replace, among=among) as file:
        for rows in fix_rows(inputs):
            file.write(table_of(FIX_COLUMNS, schema, rows))
    return positions_of(inputs, gap_s)


def write_events_csv(
    inputs: ExportInput, path: Path, *, replace: bool = False, among: Together | None = None
) -> ExportCounts:
    """Write every gap, glitch and event with its evidence, as :func:`write_csv` writes epochs."""
    marks = marks_of(inputs)
    schema = schema_of(EVENT_COLUMNS)
    with csv_file(path, schema, replace=replace, among=among) as file:
        file.write(table_of(EVENT_COLUMNS, schema, marks))
    return ExportCounts(0, 0, 0, marks=len(marks))
