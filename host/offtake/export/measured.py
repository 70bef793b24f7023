"""Measurements as tables, CSV and Parquet: each frame a row with its time, the position before it, and its fields."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Literal

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.arrow import of_numbers, of_texts
from offtake.export.aside import Together, write_aside
from offtake.export.csv_text import csv_pieces, head_line
from offtake.export.field_arrays import array_of, type_of
from offtake.export.marks import TEXT_LENGTH_MAX
from offtake.export.measured_plan import MeasuredPlan, MeasuredTable
from offtake.export.measured_rows import BASE_COLUMNS, Stamper, Stamps
from offtake.export.table_files import TableFile, csv_file, parquet_file
from offtake.export.values import CREATOR, clean_label
from offtake.journal.columns import Column
from offtake.journal.measured import Series

MeasuredFormat = Literal["csv", "parquet"]
LAYOUT_WORDS = {
    "log": "the run's own description",
    "journal": "the description in the journal's other runs",
    "spec": "this version's spec",
}


@dataclass(frozen=True)
class MeasuredFile:
    """One file of one message's measurements, or (``message`` empty) the list of all columns; ``layouts`` say on whose
    word, see :data:`offtake.journal.layouts.LayoutFrom`."""

    path: Path
    format: MeasuredFormat
    message: str
    rows: int
    layouts: tuple[str, ...] = ()


def measured_paths(plan: MeasuredPlan, stem: Path, formats: Sequence[str]) -> list[Path]:
    """The files of :func:`measured_files`: ``STEM_measured_NAME.csv`` and ``.parquet``, a file for each
    message, and beside the former ``STEM_measured.csv``, which gives each column's unit and meaning. The names come
    from a log, but are harmless: see :class:`offtake.export.measured_plan.MeasuredTable`."""
    paths = [table.path(stem, f".{name}") for name in _formats(formats) for table in plan.tables]
    return [*paths, _list_path(stem)] if plan.tables and "csv" in formats else paths


@contextmanager
def measured_files(
    plan: MeasuredPlan,
    stem: Path,
    formats: Sequence[str],
    *,
    label: str = "",
    replace: bool = False,
    among: Together | None = None,
) -> Iterator[MeasuredFiles]:
    """The files of :func:`measured_paths`, to be filled run by run.

    Columns are those of :data:`offtake.export.measured_rows.BASE_COLUMNS` and the message's fields, an array's elements
    each for itself; choices by name, flags by their names joined by ``+`` (``0``: none), bytes as hex digits; what a
    frame does not have is empty or null. Text is one harmless line in CSV, and as logged in Parquet, where each
    column's metadata has ``unit`` and ``doc``. Memory does not grow with the log. Raises as
    :func:`offtake.export.aside.write_aside` does; then no file is written.
    """
    with ExitStack() as stack:
        together = among or stack.enter_context(Together(replace=replace))
        files = MeasuredFiles(plan, stem, _formats(formats), label, together, stack)
        yield files
        if plan.tables and "csv" in formats:
            _write_list(plan, stack.enter_context(write_aside(_list_path(stem), among=together)), stem)


class MeasuredFiles:
    """A file for each of a plan's tables and each format."""

    def __init__(
        self, plan: MeasuredPlan, stem: Path, formats: Sequence[MeasuredFormat], label: str, among: Together,
        stack: ExitStack,
    ) -> None:  # fmt: skip
        self._plan = plan
        self._stem = stem
        self._formats = formats
        self._schemas = {table.name: schema_of(table, label) for table in plan.tables}
        self._rows = {table.name: 0 for table in plan.tables}
        self._files: dict[tuple[MeasuredFormat, str], TableFile] = {}
        for name in formats:
            make = csv_file if name == "csv" else parquet_file
            for table in plan.tables:
                file = make(table.path(stem, f".{name}"), self._schemas[table.name], among=among)
                self._files[name, table.name] = stack.enter_context(file)

    def add(self, stamper: Stamper, batches: Iterable[Series]) -> None:
        """Write one run's ``batches``, which are not touched where nothing is to be written."""
        for batch in batches if self._files else ():
            table = self._plan.table(batch.run, batch.code)
            if table is not None:
                self._rows[table.name] += len(batch.tick_us)
                measured = table_of(batch, stamper.stamps(batch), self._schemas[table.name])
                for name in self._formats:
                    self._files[name, table.name].write(_one_line_each(measured) if name == "csv" else measured)

    @property
    def written(self) -> tuple[MeasuredFile, ...]:
        """The files, and what has been written to them."""
        return tuple(self._written())

    def _written(self) -> Iterator[MeasuredFile]:
        for name in self._formats if self._plan.tables else ():
            for table in self._plan.tables:
                path = table.path(self._stem, f".{name}")
                yield MeasuredFile(path, name, table.message, self._rows[table.name], tuple(sorted(table.layouts)))
            if name == "csv":
                columns = sum(len(table.columns) for table in self._plan.tables)
                yield MeasuredFile(_list_path(self._stem), name, "", columns)


def _formats(formats: Sequence[str]) -> list[MeasuredFormat]:
    known: tuple[MeasuredFormat, ...] = ("csv", "parquet")
    return [name for name in known if name in formats]


def _list_path(stem: Path) -> Path:
    return stem.with_name(f"{stem.name}_measured.csv")


def schema_of(table: MeasuredTable, label: str) -> pa.Schema:
    """The Arrow schema of a table of measurements, with ``unit`` and ``doc`` in the fields' metadata."""
    types: list[pa.DataType] = [pa.int64(), pa.int64(), pa.timestamp("us", "UTC"), *[pa.float64()] * 4]
    fields = [
        pa.field(base.name, kind, metadata={"unit": base.unit, "doc": base.doc})
        for base, kind in zip(BASE_COLUMNS, types, strict=True)
    ]
    for column in table.columns.values():
        fields.append(pa.field(column.name, type_of(column), metadata=_metadata(column, table)))
    about = {"creator": CREATOR, "label": clean_label(label), "message": table.message, "code": str(table.code)}
    return pa.schema(fields, metadata={**about, "read_by": _read_by(table)})


def _metadata(column: Column, table: MeasuredTable) -> dict[str, str]:
    what = "Computed from the readings" if column.derived else f"Field {column.field}"
    doc = {"doc": f"{what} of message {table.message} (code {table.code})."}
    choices = {"choices": _choices(column)} if column.choices else {}
    return doc | ({"unit": column.unit} if column.unit else {}) | choices


def table_of(batch: Series, stamps: Stamps, schema: pa.Schema) -> pa.Table:
    """A series as a table of ``schema``, which :func:`schema_of` made for its message."""
    count = len(batch.tick_us)
    given = {column.name: column for column in batch.columns}
    utc = of_numbers(stamps.utc.astype(np.int64), np.isnat(stamps.utc), pa.timestamp("us", "UTC"))
    arrays = [of_numbers(np.full(count, batch.run, np.int64)), of_numbers(batch.tick_us), utc]
    places = (stamps.utc_uncertainty_s, stamps.latitude_deg, stamps.longitude_deg, stamps.place_s)
    arrays += [of_numbers(values, np.isnan(values)) for values in places]
    for field in list(schema)[len(arrays) :]:
        known = given.get(field.name)
        arrays.append(pa.nulls(count, field.type) if known is None else array_of(known))
    return pa.Table.from_arrays(arrays, schema=schema)


def _one_line_each(table: pa.Table) -> pa.Table:
    """Text out of the log as harmless lines: those that choose names are so already."""
    for number, field in enumerate(table.schema):
        if pa.types.is_string(field.type):
            said = table.column(number).combine_chunks().dictionary_encode()
            clean = [clean_label(text, TEXT_LENGTH_MAX) for text in said.dictionary.to_pylist()]
            kept = of_texts(clean).take(said.indices)
            table = table.set_column(number, field, kept)
    return table


def _write_list(plan: MeasuredPlan, handle: BinaryIO, stem: Path) -> None:
    """What a CSV file cannot say of its columns."""
    names = ("file", "message", "code", "column", "unit", "kind", "choices", "read_by")
    rows = [
        (table.path(Path(stem.name), ".csv").name, table.message, str(table.code), column.name, column.unit,
         column.kind, _choices(column), "derived" if column.derived else _read_by(table))
        for table in plan.tables for column in table.columns.values()
    ]  # fmt: skip
    handle.write(head_line(names))
    for piece in csv_pieces([of_texts(cells) for cells in zip(*rows, strict=True)]):
        handle.write(piece)


def _choices(column: Column) -> str:
    return " ".join(f"{value}={word}" for value, word in column.choices)


def _read_by(table: MeasuredTable) -> str:
    return ", ".join(LAYOUT_WORDS[layout] for layout in sorted(table.layouts))
