"""Every frame of a journal as columns: a table for each message, the logger's own included."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from itertools import takewhile
from pathlib import Path
from typing import Protocol

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.arrow import of_numbers
from offtake.export.aside import Together
from offtake.export.field_arrays import array_of, bytes_array, texts_of, type_of
from offtake.export.measured_plan import MeasuredPlan, MeasuredTable, plan_measured
from offtake.export.table_files import ParquetFiles
from offtake.export.values import CREATOR, clean_label
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.times import TimedTable, timed_tables
from offtake.journal.columns import NO_PAYLOADS, Column, Payloads, columns_of
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.layouts import Found, Layouts
from offtake.journal.measured import Series
from offtake.journal.survey import Survey
from offtake.spec.model import WIRE_SIZES

_BASE = (
    ("run", pa.int64(), "1", "Number of the run."),
    ("block_number", pa.int64(), "1", "Number of the block that the frame is in."),
    ("tick_us", pa.int64(), "us", "The logger's time of the frame, since power-up."),
)  # fmt: skip


class Frames(Protocol):
    """What holds frames by run: a journal, or what was salvaged of one."""

    def survey(self) -> Survey:
        """The runs, and how their messages are to be read."""

    def frame_tables(self, run: int | None = None) -> Iterator[FrameTable]:
        """The frames of ``run`` in order of block number."""


def frame_columns(source: Frames, runs: Sequence[int] | None = None) -> Iterator[tuple[str, pa.Table]]:
    """Yield (name of the message's table, some of its rows), window by window, of ``runs`` in their order (None: all).

    Columns: ``run``, ``block_number``, ``tick_us``, then the message's fields by the run's own description, as in the
    tables of measurements but for bytes, which stay bytes; what a frame does not have is null. Tables of one name have
    the same columns. A message that nobody describes is called ``unknown_N`` and has its ``payload``. Names are
    harmless identifiers; two messages of one name, or of different shape in two runs, get a number behind. Frames of no
    known run are left out, and so are copies of blocks. Memory does not grow with the journal.
    """
    surveyed = source.survey()
    chosen = [info.run for info in surveyed.runs] if runs is None else list(runs)
    plan = frame_plan(surveyed, chosen)
    for run in chosen:
        yield from columns_of_run(timed_tables(source.frame_tables(run)), run, surveyed.layouts, plan)


def frame_plan(surveyed: Survey, runs: Iterable[int]) -> MeasuredPlan:
    """The tables that the frames of ``runs`` make."""
    pairs = sorted((code, run) for run in runs for code in surveyed.counts(run))
    return plan_measured(_head(surveyed.layouts, run, code) for code, run in pairs)


def _head(layouts: Layouts, run: int, code: int) -> Series:
    """A series without rows."""
    found = _layout(layouts, run, code)
    return Series(run, code, found.name, found.origin, np.zeros(0, np.int64), columns_of(found.message, NO_PAYLOADS), 0)


def _layout(layouts: Layouts, run: int, code: int) -> Found:
    found = layouts.of(run, code)
    if found is not None:
        return found
    name = layouts.name(run, code)
    return Found(DescribedMessage(code, name, (DescribedField("payload", "bytes", None),)), "spec", name)


def schema_of(table: MeasuredTable, label: str = "") -> pa.Schema:
    """The Arrow schema of a table of :func:`frame_plan`, with ``unit`` and ``doc`` in the fields' metadata."""
    fields = [pa.field(name, kind, metadata={"unit": unit, "doc": doc}) for name, kind, unit, doc in _BASE]
    for column in table.columns.values():
        doc = {"doc": f"Field {column.field} of message {table.message} (code {table.code})."}
        unit = {"unit": column.unit} if column.unit else {}
        kind = pa.binary() if column.kind == "bytes" else type_of(column)
        fields.append(pa.field(_own_name(column.name, table), kind, metadata=doc | unit))
    about = {"creator": CREATOR, "label": clean_label(label), "message": table.message, "code": str(table.code)}
    return pa.schema(fields, metadata=about)


def _own_name(name: str, table: MeasuredTable) -> str:
    """A field's name, unless a column that every table has is called so."""
    number = 2
    wanted = name
    while name in ("block_number",) or (name != wanted and name in table.columns):
        name = f"{wanted}_{number}"
        number += 1
    return name


def columns_of_run(
    timed: Iterable[TimedTable], run: int, layouts: Layouts, plan: MeasuredPlan, label: str = ""
) -> Iterator[tuple[str, pa.Table]]:
    """As :func:`frame_columns`, from the frames of one run, or of some of its blocks, with their times."""
    readers: dict[int, _Reader] = {}
    for frames, tick_us in timed:
        for code in np.flatnonzero(np.bincount(frames.code)).tolist():
            table = plan.table(run, code)
            if table is None:
                continue
            if code not in readers:
                readers[code] = _Reader(run, _layout(layouts, run, code).message, table, schema_of(table, label))
            yield table.name, readers[code].columns(frames, tick_us, np.flatnonzero(frames.code == code))


class _Reader:
    """Reads the frames of one message in one run. Strings, which nearly always come last among its fields, are taken
    straight from the log's bytes."""

    def __init__(self, run: int, message: DescribedMessage, table: MeasuredTable, schema: pa.Schema) -> None:
        self._run = run
        self._schema = schema
        self._table = table
        numbers = tuple(takewhile(lambda one: one.kind in WIRE_SIZES, message.fields))
        strings = message.fields[len(numbers) :]
        mixed = any(one.kind in WIRE_SIZES for one in strings)
        self._by_columns = message if mixed else replace(message, fields=numbers)
        self._strings = () if mixed else strings
        self._strings_at = sum(one.size or 0 for one in numbers)
        self._names = [column.name for column in columns_of(message, NO_PAYLOADS)]

    def columns(self, frames: FrameTable, tick_us: NDArray[np.int64], rows: NDArray[np.int64]) -> pa.Table:
        """The frames ``rows`` of a table, all of the message."""
        payloads = Payloads(frames.data, frames.payload_at.take(rows), frames.payload_size.take(rows).astype(np.int64))
        given = dict(zip(self._names, self._fields(payloads), strict=True))
        base = (np.full(len(rows), self._run, np.int64), frames.number.take(rows), tick_us.take(rows))
        told = [
            given[name] if name in given else pa.nulls(len(rows), field.type)
            for name, field in zip(self._table.columns, list(self._schema)[len(base) :], strict=True)
        ]
        return pa.Table.from_arrays([*map(of_numbers, base), *told], schema=self._schema)

    def _fields(self, payloads: Payloads) -> Iterator[pa.Array]:
        """An array for each of the columns, in their order."""
        count = 0
        for column in columns_of(self._by_columns, payloads):
            yield _array_of(column)
            count += 1
        at = self._strings_at
        # What no frame can reach has no column.
        for one in self._strings[: len(self._names) - count]:
            size = one.size or 0
            present = payloads.sizes >= at + size
            sizes = np.full(len(present), size) if one.size is not None else payloads.sizes - at
            raw = bytes_array(payloads.data, payloads.places + at, sizes, present)
            yield texts_of(raw) if one.kind == "text" else raw
            at += size


def _array_of(column: Column) -> pa.Array:
    if column.kind != "bytes":
        return array_of(column)
    return pa.array(column.values, pa.binary(), mask=~column.present)


def frames_path(table: MeasuredTable, stem: Path) -> Path:
    """The file of a table: ``STEM_frames_NAME.parquet``; the name comes from a log, but is harmless."""
    return stem.with_name(f"{stem.name}_frames_{table.name}.parquet")


@contextmanager
def frame_files(
    plan: MeasuredPlan, stem: Path, label: str = "", *, replace: bool = False, among: Together | None = None
) -> Iterator[FrameFiles]:
    """The files of :func:`frames_path` for all tables of ``plan``, to be filled; those without rows are written too.

    Raises as :func:`offtake.export.aside.write_aside` does; then no file is written.
    """
    with ExitStack() as stack:
        together = among or stack.enter_context(Together(replace=replace))
        files = stack.enter_context(ParquetFiles(together))
        paths = {table.name: frames_path(table, stem) for table in plan.tables}
        for table in plan.tables:
            files.write(paths[table.name], _without_rows(schema_of(table, label)))
        yield FrameFiles(files, paths)


def _without_rows(schema: pa.Schema) -> pa.Table:
    return pa.Table.from_arrays([pa.nulls(0, field.type) for field in schema], schema=schema)


class FrameFiles:
    """A file for each table of frames."""

    def __init__(self, files: ParquetFiles, paths: Mapping[str, Path]) -> None:
        self._files = files
        self._paths = paths

    def add(self, tables: Iterable[tuple[str, pa.Table]]) -> int:
        """Write rows as :func:`columns_of_run` gives them; their number."""
        count = 0
        for name, table in tables:
            self._files.write(self._paths[name], table)
            count += table.num_rows
        return count
