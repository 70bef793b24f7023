"""Tables come back the same through independent readers (GDAL, DuckDB, the csv module), and their columns say their
units."""

from __future__ import annotations

import csv
import datetime as dt
import json
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pyogrio.raw  # type: ignore[import-untyped]
import pytest
from export_subject import CLEAN, EVERY_FIX, INPUTS, TRACKS, wrapped
from offtake.errors import DamageError
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, SATELLITE_COLUMNS, schema_of
from offtake.export.inputs import ExportInput
from offtake.export.marks import marks_of
from offtake.export.table_files import ROWS_IN_GROUP
from offtake.export.values import ExportCounts
from offtake.journal.events import RunEvent
from offtake.track.fix import Fix, Track

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))
from table_writers import (
    write_csv,
    write_events_csv,
    write_events_parquet,
    write_fixes_parquet,
    write_satellites_parquet,
)

TABLES: dict[str, tuple[Callable[..., ExportCounts], Any]] = {
    "fixes": (write_fixes_parquet, FIX_COLUMNS),
    "events": (write_events_parquet, EVENT_COLUMNS),
    "satellites": (write_satellites_parquet, SATELLITE_COLUMNS),
}
# A name's end, and the unit it stands for.
ENDINGS = {
    "_us": "us", "_ms": "ms", "_m_s": "m/s", "_s": "s", "_m": "m", "_deg": "deg", "_mv": "mV", "_db_hz": "dBHz",
    "utc": "UTC",
}  # fmt: skip


def told(fix: Fix, name: str) -> Any:
    """What a column should hold of ``fix``."""
    value = getattr(fix, name)
    if isinstance(value, str):
        return CLEAN if value.startswith("Ä") else value
    return wrapped(value) if name == "longitude_deg" else value


def unnamed(schema: pa.Schema) -> list[str]:
    """Columns with a number or a time that do not say their unit, and any column that does not say what it is."""
    wrong = []
    for field in schema:
        metadata = field.metadata or {}
        numeric = (
            pa.types.is_integer(field.type) or pa.types.is_floating(field.type) or pa.types.is_timestamp(field.type)
        )
        if (numeric and not metadata.get(b"unit")) or not metadata.get(b"doc"):
            wrong.append(field.name)
    return wrong


@pytest.mark.parametrize("table", TABLES)
def test_every_column_says_its_unit_and_meaning(table: str, tmp_path: Path) -> None:
    writer, columns = TABLES[table]
    writer(INPUTS, tmp_path / "t.parquet")
    schema = pq.read_schema(tmp_path / "t.parquet")
    assert schema.names == [column.name for column in columns]
    assert unnamed(schema) == []
    assert schema.metadata[b"label"].decode() == CLEAN
    for field in schema:
        unit = next((unit for ending, unit in ENDINGS.items() if field.name.endswith(ending)), None)
        if unit is not None:
            assert field.metadata[b"unit"].decode() == unit, field.name


@pytest.mark.parametrize("table", TABLES)
def test_a_column_without_a_unit_would_be_noticed(table: str) -> None:
    columns = TABLES[table][1]
    numeric = next(column for column in columns if column.kind in ("integer", "number"))
    changed = [replace(column, unit="") if column is numeric else column for column in columns]
    assert unnamed(schema_of(changed)) == [numeric.name]


def test_fixes_through_duckdb(tmp_path: Path) -> None:
    path = tmp_path / "fixes.parquet"
    assert write_fixes_parquet(INPUTS, path) == ExportCounts(29, 4, 0)
    with duckdb.connect() as base:
        base.execute("set timezone = 'UTC'")
        read = base.sql(f"select * from read_parquet('{path}')")
        types = dict(zip(read.columns, map(str, read.types), strict=True))
        rows = [dict(zip(read.columns, row, strict=True)) for row in read.fetchall()]
        (count,) = base.sql(f"select count(*) from read_parquet('{path}') where glitch like '%jump%'").fetchall()
    assert (types["utc"], types["latitude_deg"]) == ("TIMESTAMP WITH TIME ZONE", "DOUBLE")
    assert (types["tick_us"], types["after_loss"], types["fix_type"]) == ("BIGINT", "BOOLEAN", "VARCHAR")
    assert count == (2,)
    same = [column.name for column in FIX_COLUMNS if column.name not in ("fix", "time_of_day_s", "glitch")]
    for row, fix in zip(rows, EVERY_FIX, strict=True):
        assert {name: row[name] for name in same} == {name: told(fix, name) for name in same}
        assert row["time_of_day_s"] == (None if fix.time_of_day_us is None else fix.time_of_day_us / 1e6)
    assert [row["fix"] for row in rows] == [number for track in TRACKS for number in range(len(track.fixes))]


def test_events_through_duckdb(tmp_path: Path) -> None:
    path = tmp_path / "events.parquet"
    assert write_events_parquet(INPUTS, path).marks == 9
    with duckdb.connect() as base:
        base.execute("set timezone = 'UTC'")
        read = base.sql(f"select run, kind, cause, tick_us, utc, count, merged, supply_mv, text from '{path}'")
        rows = read.fetchall()
        (jump,) = base.sql(f"select evidence->>'moved_m' from '{path}' where cause = 'jump'").fetchall()
    assert rows == [
        (m.run, m.kind, m.cause or None, m.tick_us, m.utc, m.count, m.merged, m.supply_mv, m.text)
        for m in marks_of(INPUTS)
    ]
    assert jump == ("12345678.5",)


def test_satellites_through_duckdb(tmp_path: Path) -> None:
    path = tmp_path / "satellites.parquet"
    write_satellites_parquet(INPUTS, path)
    with duckdb.connect() as base:
        base.execute("set timezone = 'UTC'")
        rows = base.sql(f"select * from '{path}' where run = 2").fetchall()
    seen = dt.datetime(2024, 3, 1, 0, 0, 0, 250_000, tzinfo=dt.UTC)
    assert rows == [
        (2, 500_000, seen, "gps", 7, 1, 45.5, 359.0, 41.0, True),
        (2, 500_000, seen, "glonass", 65, None, None, None, None, None),
        (2, 500_000, seen, None, 200, None, None, None, None, False),
        (2, 2_500_000, None, "galileo", 3, None, None, None, 30.5, None),
    ]


def test_parquet_is_typed_compressed_and_has_statistics_in_each_group(tmp_path: Path) -> None:
    path = tmp_path / "fixes.parquet"
    first = EVERY_FIX[0]
    count = ROWS_IN_GROUP + 10
    write_fixes_parquet(ExportInput([Track(1, tuple(replace(first, tick_us=n) for n in range(count)))]), path)
    file = pq.ParquetFile(path)
    assert [file.metadata.row_group(n).num_rows for n in range(file.num_row_groups)] == [ROWS_IN_GROUP, 10]
    tick = file.schema_arrow.get_field_index("tick_us")
    ends = []
    for number in range(2):
        column = file.metadata.row_group(number).column(tick)
        assert column.compression == "ZSTD"
        ends.append((column.statistics.min, column.statistics.max))
    assert ends == [(0, ROWS_IN_GROUP - 1), (ROWS_IN_GROUP, count - 1)]
    field = file.schema_arrow.field("utc")
    assert (field.type, file.schema_arrow.field("speed_m_s").type) == (pa.timestamp("us", tz="UTC"), pa.float64())
    assert file.schema_arrow.field("fix_type").type == pa.dictionary(pa.int32(), pa.string())


def test_times_of_another_zone_are_the_same_moment(tmp_path: Path) -> None:
    path = tmp_path / "fixes.parquet"
    moment = dt.datetime(2024, 5, 1, 1, 30, 0, 1, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    write_fixes_parquet(ExportInput([Track(1, (Fix(1, 0, utc=moment),))]), path)
    assert pq.read_table(path)["utc"].to_pylist() == [dt.datetime(2024, 4, 30, 23, 30, 0, 1, tzinfo=dt.UTC)]


def test_a_number_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    far = ExportInput([], events=[RunEvent(1, 2**63, "supply", "", 0, "far", 2**63)])
    with pytest.raises(DamageError, match="tick_us: a value does not fit"):
        write_events_parquet(far, tmp_path / "x")
    assert list(tmp_path.iterdir()) == []


def test_csv_through_gdal_and_back(tmp_path: Path) -> None:
    path = tmp_path / "track.csv"
    write_csv(INPUTS, path)
    meta, _, _, fields = pyogrio.raw.read(path)
    named = dict(zip(meta["fields"], fields, strict=True))
    for name in (column.name for column in FIX_COLUMNS if column.kind == "number" and column.name != "time_of_day_s"):
        column = [None if text in ("", None) else float(text) for text in named[name]]
        assert column == [told(fix, name) for fix in EVERY_FIX], name
    with path.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert len(rows) == len(EVERY_FIX)
    times = [None if not row["utc"] else dt.datetime.fromisoformat(row["utc"]) for row in rows]
    assert times == [fix.utc for fix in EVERY_FIX]
    assert all(row["utc"] == "" or row["utc"].endswith("Z") for row in rows)
    assert [row["glitch"] for row in rows if row["glitch"]] == ["jump", "jump time_backwards"]


def test_events_csv_lists_everything_with_its_evidence(tmp_path: Path) -> None:
    path = tmp_path / "track_events.csv"
    assert write_events_csv(INPUTS, path) == ExportCounts(0, 0, 0, marks=9)
    with path.open(newline="", encoding="utf-8") as handle:
        rows = list(csv.DictReader(handle))
    assert [row["kind"] for row in rows] == [mark.kind for mark in marks_of(INPUTS)]
    loss, jump = rows[2], next(row for row in rows if row["cause"] == "jump")
    assert (loss["cause"], loss["count"], loss["merged"], loss["duration_s"]) == ("ring_full", "484", "3", "1.5")
    assert loss["utc"] == "2023-12-31T23:59:38Z"
    assert json.loads(jump["evidence"]) == {"moved_m": 12_345_678.5, CLEAN: -1e-7}
    # No spreadsheet takes a text from a log for a formula.
    assert rows[-1]["text"] == "'=cmd|'/c calc'!A1"
