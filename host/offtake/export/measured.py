"""Measurements as tables, CSV and Parquet: each frame a row with its time, the position before it, and its fields."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.export.aside import write_aside
from offtake.export.marks import TEXT_LENGTH_MAX
from offtake.export.measured_plan import MeasuredPlan, MeasuredTable
from offtake.export.measured_rows import BASE_COLUMNS, Stamper, Stamps
from offtake.export.table import text_cell
from offtake.export.values import CREATOR, clean_label, decimal_text
from offtake.journal.columns import Column
from offtake.journal.measured import Series
from offtake.track.fix import Track

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
    """The files that :func:`write_measured` writes: ``STEM_measured_NAME.csv`` and ``.parquet``, a file for each
    message, and beside the former ``STEM_measured.csv``, which gives each column's unit and meaning. The names come
    from a log, but are harmless: see :class:`offtake.export.measured_plan.MeasuredTable`."""
    paths = [table.path(stem, f".{name}") for name in _formats(formats) for table in plan.tables]
    return [*paths, _list_path(stem)] if plan.tables and "csv" in formats else paths


def write_measured(
    plan: MeasuredPlan,
    runs: Iterable[tuple[Track | None, Iterable[Series]]],
    stem: Path,
    formats: Sequence[str],
    *,
    label: str = "",
    replace: bool = False,
) -> tuple[MeasuredFile, ...]:
    """Write the batches of each run, with its track, to the files of :func:`measured_paths`.

    Columns are those of :data:`offtake.export.measured_rows.BASE_COLUMNS` and the message's fields, an array's elements
    each for itself; choices by name, flags by their names joined by ``+`` (``0``: none), bytes as hex digits; what a
    frame does not have is empty or null. Text is one harmless line in CSV, and as logged in Parquet, where each
    column's metadata has ``unit`` and ``doc``. Memory does not grow with the log. Raises as
    :func:`offtake.export.aside.write_aside` does, and DamageError for a position out of range; then no file is written,
    unless putting the last of them in place is what fails.
    """
    if not plan.tables or not _formats(formats):
        return ()
    rows = {table.name: 0 for table in plan.tables}
    with ExitStack() as stack:
        writers: dict[str, list[_Writer]] = {table.name: [] for table in plan.tables}
        for name in _formats(formats):
            for table in plan.tables:
                handle = stack.enter_context(write_aside(table.path(stem, f".{name}"), replace=replace))
                make = _csv_writer(handle, table) if name == "csv" else _parquet_writer(handle, table, label)
                writers[table.name].append(stack.enter_context(make))
        for track, batches in runs:
            stamper = Stamper(track)
            for batch in batches:
                chosen = plan.table(batch.run, batch.code)
                if chosen is not None:
                    stamps = stamper.stamps(batch)
                    rows[chosen.name] += len(batch.tick_us)
                    for writer in writers[chosen.name]:
                        writer.write(batch, stamps)
        if "csv" in formats:
            _write_list(plan, stem, stack.enter_context(write_aside(_list_path(stem), replace=replace)))
    return tuple(_files(plan, stem, formats, rows))


def _files(plan: MeasuredPlan, stem: Path, formats: Sequence[str], rows: Mapping[str, int]) -> Iterator[MeasuredFile]:
    for name in _formats(formats):
        for table in plan.tables:
            path = table.path(stem, f".{name}")
            yield MeasuredFile(path, name, table.message, rows[table.name], tuple(sorted(table.layouts)))
        if name == "csv":
            yield MeasuredFile(_list_path(stem), name, "", sum(len(table.columns) for table in plan.tables))


def _formats(formats: Sequence[str]) -> list[MeasuredFormat]:
    known: tuple[MeasuredFormat, ...] = ("csv", "parquet")
    return [name for name in known if name in formats]


def _list_path(stem: Path) -> Path:
    return stem.with_name(f"{stem.name}_measured.csv")


class _Writer(Protocol):
    def write(self, batch: Series, stamps: Stamps) -> None: ...


# CSV


class _CsvTable:
    def __init__(self, text: io.TextIOBase, table: MeasuredTable) -> None:
        self._names = list(table.columns)
        self._writer = csv.writer(text, lineterminator="\r\n")
        self._writer.writerow([*(base.name for base in BASE_COLUMNS), *self._names])

    def write(self, batch: Series, stamps: Stamps) -> None:
        count = len(batch.tick_us)
        given = {column.name: column for column in batch.columns}
        cells: list[list[str]] = [[str(batch.run)] * count, [str(tick) for tick in batch.tick_us.tolist()]]
        cells.append([_utc_cell(moment) for moment in np.datetime_as_string(stamps.utc, unit="us").tolist()])
        places = (stamps.utc_uncertainty_s, stamps.latitude_deg, stamps.longitude_deg, stamps.place_s)
        cells += [_decimal_cells(values, ~np.isnan(values)) for values in places]
        cells += [_cells(given[name]) if name in given else [""] * count for name in self._names]
        self._writer.writerows(zip(*cells, strict=True))


@contextmanager
def _csv_writer(handle: Any, table: MeasuredTable) -> Iterator[_Writer]:
    text = io.TextIOWrapper(handle, encoding="utf-8", newline="")
    yield _CsvTable(text, table)
    text.detach()


def _utc_cell(moment: str) -> str:
    """As every other table shows it: fractions of a second only where there are any."""
    return "" if moment == "NaT" else f"{moment.rstrip('0').rstrip('.')}Z"


def _cells(column: Column) -> list[str]:
    if column.kind == "number":
        return _decimal_cells(column.values, column.present)
    if column.kind == "integer":
        pairs = zip(column.values.tolist(), column.present.tolist(), strict=True)
        return [str(value) if there else "" for value, there in pairs]
    return ["" if text is None else text_cell(text) for text in _clean_texts(column)]


def _decimal_cells(values: NDArray[np.float64], present: NDArray[np.bool_]) -> list[str]:
    pairs = zip(values.tolist(), present.tolist(), strict=True)
    return [decimal_text(value) if there else "" for value, there in pairs]


def _clean_texts(column: Column) -> list[str | None]:
    texts = column.texts()
    if column.kind != "text":
        return texts
    return [None if text is None else clean_label(text, TEXT_LENGTH_MAX) for text in texts]


def _write_list(plan: MeasuredPlan, stem: Path, handle: Any) -> None:
    """What a CSV file cannot say of its columns."""
    text = io.TextIOWrapper(handle, encoding="utf-8", newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(["file", "message", "code", "column", "unit", "kind", "choices", "read_by"])
    for table in plan.tables:
        name = table.path(Path(stem.name), ".csv").name
        for column in table.columns.values():
            choices = " ".join(f"{value}={word}" for value, word in column.choices)
            cells = (name, table.message, str(table.code), column.name, column.unit, column.kind, choices)
            writer.writerow([text_cell(cell) for cell in (*cells, "derived" if column.derived else _read_by(table))])
    text.detach()


def _read_by(table: MeasuredTable) -> str:
    return ", ".join(LAYOUT_WORDS[layout] for layout in sorted(table.layouts))


# Parquet


class _ParquetTable:
    def __init__(self, writer: pq.ParquetWriter, schema: pa.Schema, table: MeasuredTable) -> None:
        self._writer = writer
        self._schema = schema
        self._names = list(table.columns)

    def write(self, batch: Series, stamps: Stamps) -> None:
        count = len(batch.tick_us)
        given = {column.name: column for column in batch.columns}
        utc = pa.array(stamps.utc, pa.timestamp("us")).cast(pa.timestamp("us", "UTC"))
        arrays = [pa.array(np.full(count, batch.run)), pa.array(batch.tick_us), utc]
        places = (stamps.utc_uncertainty_s, stamps.latitude_deg, stamps.longitude_deg, stamps.place_s)
        arrays += [pa.array(values, from_pandas=True) for values in places]
        for name in self._names:
            kind = self._schema.field(name).type
            arrays.append(_array(given[name], kind) if name in given else pa.nulls(count, kind))
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))


@contextmanager
def _parquet_writer(handle: Any, table: MeasuredTable, label: str) -> Iterator[_Writer]:
    types: list[pa.DataType] = [pa.int64(), pa.int64(), pa.timestamp("us", "UTC"), *[pa.float64()] * 4]
    fields = [
        pa.field(base.name, kind, metadata={"unit": base.unit, "doc": base.doc})
        for base, kind in zip(BASE_COLUMNS, types, strict=True)
    ]
    for column in table.columns.values():
        fields.append(pa.field(column.name, _type(column), metadata=_metadata(column, table)))
    about = {"creator": CREATOR, "label": clean_label(label), "message": table.message, "code": str(table.code)}
    schema = pa.schema(fields, metadata={**about, "read_by": _read_by(table)})
    with pq.ParquetWriter(handle, schema, compression="zstd") as writer:
        yield _ParquetTable(writer, schema, table)


def _type(column: Column) -> pa.DataType:
    if column.kind in ("word", "flags"):
        return pa.dictionary(pa.int32(), pa.string())
    return {"integer": pa.int64(), "number": pa.float64()}.get(column.kind, pa.string())


def _metadata(column: Column, table: MeasuredTable) -> dict[str, str]:
    what = "Computed from the readings" if column.derived else f"Field {column.field}"
    doc = {"doc": f"{what} of message {table.message} (code {table.code})."}
    choices = {"choices": " ".join(f"{value}={word}" for value, word in column.choices)} if column.choices else {}
    return doc | ({"unit": column.unit} if column.unit else {}) | choices


def _array(column: Column, kind: pa.DataType) -> pa.Array:
    if column.numeric:
        return pa.array(column.values, kind, mask=~column.present)
    # As logged, line ends and all: no program takes it for a line of its own or for a formula here.
    return pa.array(column.texts(), kind)
