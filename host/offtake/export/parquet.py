"""Tables as Apache Parquet files: typed, with each column's unit and meaning in its metadata."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from offtake.errors import DamageError
from offtake.export.aside import write_aside
from offtake.export.columns import (
    EVENT_COLUMNS,
    FIX_COLUMNS,
    SATELLITE_COLUMNS,
    Column,
    Row,
    Value,
    event_rows,
    fix_rows,
    satellite_rows,
)
from offtake.export.inputs import ExportInput
from offtake.export.values import CREATOR, ExportCounts, clean_label
from offtake.track.segments import GAP_S

# Rows are turned into columns and written so many at a time: memory is bounded, and each group has its own statistics.
ROWS_IN_GROUP = 65_536
_TYPES = {
    "integer": pa.int64(),
    "number": pa.float64(),
    "yes_no": pa.bool_(),
    "moment": pa.timestamp("us", tz="UTC"),
}


def write_fixes_parquet(
    inputs: ExportInput, path: Path, *, gap_s: float = GAP_S, replace: bool = False
) -> ExportCounts:
    """Write every epoch, those without a position too; null means absent.

    ``gap_s`` only decides the segments that are counted, in runs without an analysis. Raises as
    :func:`offtake.export.table.write_csv` does.
    """
    segments = [len(part) for track in inputs.tracks for part in inputs.segments(track, gap_s)]
    _write(fix_rows(inputs), FIX_COLUMNS, path, inputs.label, replace)
    return ExportCounts(sum(segments), len(segments), 0)


def write_events_parquet(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Write every gap, glitch and event with its evidence, as :func:`write_fixes_parquet` writes epochs."""
    rows = event_rows(inputs)
    _write(rows, EVENT_COLUMNS, path, inputs.label, replace)
    return ExportCounts(0, 0, 0, marks=len(rows))


def write_satellites_parquet(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Write every satellite of every epoch that told of some, as :func:`write_fixes_parquet` writes epochs."""
    _write(satellite_rows(inputs), SATELLITE_COLUMNS, path, inputs.label, replace)
    return ExportCounts(0, 0, 0)


def schema_of(columns: Sequence[Column[Any]], label: str = "") -> pa.Schema:
    """Return the Arrow schema: each field's metadata has ``doc`` and, where the column has one, ``unit``."""
    fields = [pa.field(column.name, _type(column), metadata=_metadata(column)) for column in columns]
    return pa.schema(fields, metadata={"creator": CREATOR, "label": clean_label(label)})


def _type(column: Column[Any]) -> pa.DataType:
    if column.kind == "text":
        return pa.dictionary(pa.int32(), pa.string()) if column.word else pa.string()
    return _TYPES[column.kind]


def _metadata(column: Column[Any]) -> dict[str, str]:
    return {"doc": column.doc} | ({"unit": column.unit} if column.unit else {})


def _write(rows: Iterable[Row], columns: Sequence[Column[Row]], path: Path, label: str, replace: bool) -> None:
    schema = schema_of(columns, label)
    with write_aside(path, replace=replace) as handle, pq.ParquetWriter(handle, schema, compression="zstd") as writer:
        for group in _groups(iter(rows)):
            arrays = [_array(column, group, field) for column, field in zip(columns, schema, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema), row_group_size=ROWS_IN_GROUP)


def _groups(rows: Iterator[Row]) -> Iterator[list[Row]]:
    while group := list(islice(rows, ROWS_IN_GROUP)):
        yield group


def _array(column: Column[Row], group: list[Row], field: pa.Field) -> pa.Array:
    try:
        return pa.array([_checked(column.value(row)) for row in group], type=field.type)
    except (OverflowError, pa.ArrowInvalid) as error:
        raise DamageError(f"a value does not fit: {error}", where=column.name, expected="64-bit numbers") from error


def _checked(value: Value) -> Value:
    if isinstance(value, float) and not math.isfinite(value):
        raise DamageError(f"value {value} is not finite", expected="a finite number")
    if isinstance(value, dt.datetime) and value.tzinfo is None:
        raise DamageError(f"time {value.isoformat()} has no time zone", expected="a time in UTC")
    return value
