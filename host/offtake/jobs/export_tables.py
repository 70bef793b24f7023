"""Fills an export's tables of fixes, satellites and events, run by run and part by part."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from offtake.export.aside import Together
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, SATELLITE_COLUMNS, Column, schema_of, table_of
from offtake.export.marks import Mark
from offtake.export.rows import ROWS_AT_ONCE, PositionCounter, fix_rows_of, kept_rows, sky_rows_of
from offtake.export.span import RunSpan
from offtake.export.table_files import TableFile, csv_file, parquet_file
from offtake.export.values import ExportCounts
from offtake.jobs.runs import RunPart
from offtake.progress import QUIET, Watch

# What follows the stem, by format and table.
_ENDINGS = {
    "csv": {"fixes": ".csv", "events": "_events.csv"},
    "parquet": {"fixes": "_fixes.parquet", "satellites": "_satellites.parquet", "events": "_events.parquet"},
}
_COLUMNS: dict[str, Sequence[Column[Any]]] = {
    "fixes": FIX_COLUMNS, "satellites": SATELLITE_COLUMNS, "events": EVENT_COLUMNS,
}  # fmt: skip


def table_paths(formats: Sequence[str], stem: Path) -> list[tuple[str, str, Path]]:
    """Format, table and file of each table that ``formats`` make."""
    return [
        (name, table, stem.with_name(stem.name + ending))
        for name in dict.fromkeys(formats)
        for table, ending in _ENDINGS.get(name, {}).items()
    ]


class ExportTables:
    """The files of :func:`table_paths`, to be filled. They belong ``among`` others and are closed with ``stack``."""

    def __init__(self, formats: Sequence[str], stem: Path, label: str, among: Together, stack: ExitStack) -> None:
        self._schemas = {table: schema_of(columns, label) for table, columns in _COLUMNS.items()}
        self._files: dict[str, list[TableFile]] = {table: [] for table in _COLUMNS}
        for name, table, path in table_paths(formats, stem):
            make = csv_file if name == "csv" else parquet_file
            self._files[table].append(stack.enter_context(make(path, self._schemas[table], among=among)))
        self._counter = PositionCounter()
        self._marks = 0

    def __bool__(self) -> bool:
        return any(self._files.values())

    def counts(self, table: str) -> ExportCounts:
        """What has been written of a table."""
        counted = {"fixes": self._counter.counts, "events": ExportCounts(0, 0, 0, marks=self._marks)}
        return counted.get(table, ExportCounts(0, 0, 0))

    def add(self, part: RunPart, span: RunSpan | None = None, watch: Watch = QUIET) -> None:
        """Write the fixes and satellites of a run's next part, those in the ``span`` if one is given."""
        fixes, skies = part.track.fixes, part.track.skies
        kept = None if span is None else span.keeps(fixes.tick_us, fixes.utc_us)
        if span is not None:
            skies = skies.taken(span.keeps(skies.tick_us, skies.utc_us))
        watch.deal(bool(self._files["fixes"]) * len(fixes) + bool(self._files["satellites"]) * len(skies))
        for rows in fix_rows_of(fixes, part.analysis, part.number) if self._files["fixes"] else ():
            first = int(rows.number[0]) - part.number
            self._write("fixes", rows if kept is None else kept_rows(rows, kept[first : first + len(rows.number)]))
            watch.dealt(len(rows.number))
        self._counter.add(fixes, part.analysis, kept, continued=part.number > 0)
        for some in sky_rows_of(skies) if self._files["satellites"] else ():
            self._write("satellites", some)
            watch.dealt(len(some))

    def add_marks(self, marks: Sequence[Mark]) -> None:
        """Write the gaps, glitches and events of a run, all parts of which have been added."""
        self._marks += len(marks)
        for first in range(0, len(marks), ROWS_AT_ONCE):
            self._write("events", marks[first : first + ROWS_AT_ONCE])

    def _write(self, table: str, rows: Any) -> None:
        if self._files[table]:
            made = table_of(_COLUMNS[table], self._schemas[table], rows)
            for file in self._files[table]:
                file.write(made)
