"""Tables of messages as Arrow and Parquet: typed, with units, the same values when read back."""

from __future__ import annotations

import random
from pathlib import Path

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from binary_frames import frame_b562, pvt, sentence
from bulk_dialects import EVERY, every_message
from mixed_streams import SOUNDER, damaged_stream
from offtake.dialects.bulk import BulkDecoder, MessageTable, decode_columns, find_messages
from offtake.dialects.bulk.arrow import INVALID, OFFSET, REASON, TALKER, to_arrow
from offtake.dialects.tables import AnyDialect
from offtake.generated.dialects import DIALECTS

ALL: tuple[AnyDialect, ...] = (*DIALECTS.values(), SOUNDER)


def tables_of(stream: bytes, dialects: tuple[AnyDialect, ...]) -> list[MessageTable]:
    return list(decode_columns(stream, find_messages(stream, dialects), dialects).values())


def listed(value: object) -> object:
    """As Arrow gives it: tuples are lists; what is unsound is null."""
    if isinstance(value, tuple):
        return [listed(item) for item in value]
    return {name: listed(item) for name, item in value.items()} if isinstance(value, dict) else value


def assert_same_rows(table: MessageTable, rows: list[dict[str, object]]) -> None:
    reasons = dict(zip(table.invalid_rows.tolist(), table.reasons, strict=True))
    assert len(rows) == len(table)
    for row, found in enumerate(rows):
        expected: dict[str, object] = {OFFSET: int(table.offset[row])}
        if table.talker is not None:
            expected[TALKER] = table.talker.value(row)
        values = table.row(row)
        expected |= {name: listed(values.get(name)) for name in table.columns}
        assert found == expected | {INVALID: row in reasons, REASON: reasons.get(row)}


@pytest.mark.parametrize("wild", [0.0, 0.3])
def test_every_kind_of_field(wild: float) -> None:
    rng = random.Random(f"{wild}")
    for table in tables_of(b"".join(every_message(rng, wild) for _ in range(400)), EVERY):
        arrow = to_arrow(table)
        arrow.validate(full=True)
        assert_same_rows(table, arrow.to_pylist())


def test_parquet_brings_it_back(tmp_path: Path) -> None:
    for number, table in enumerate(tables_of(damaged_stream(random.Random(6), 300, 20).stream, ALL)):
        path = tmp_path / f"{number}.parquet"
        pq.write_table(to_arrow(table), path)
        assert_same_rows(table, pq.read_table(path).to_pylist())


def test_an_independent_reader(tmp_path: Path) -> None:
    (table,) = tables_of(frame_b562(0x0107, pvt()) + frame_b562(0x0107, pvt(flags=0)), ALL)
    path = tmp_path / "positions.parquet"
    pq.write_table(to_arrow(table), path)
    found = duckdb.sql(f"select latitude_deg, fix_type, date::varchar from '{path}' order by _offset").fetchall()
    assert found == [(-47.5, "3d", "2024-01-01"), (None, "3d", "2024-01-01")]


def test_units_and_words_come_along() -> None:
    (table,) = tables_of(sentence("GPGSV,1,1,02,05,45,010,30,07,20,100,,1"), ALL)
    arrow = to_arrow(table)
    assert arrow.schema.metadata[b"dialect"] == b"nmea0183"
    assert arrow.schema.metadata[b"message"] == b"GSV"
    satellite = arrow.schema.field("satellites").type.value_type
    assert satellite.field("azimuth_deg").metadata == {b"unit": b"deg", b"doc": b"Azimuth from true north."}
    assert satellite.field("azimuth_deg").type == pa.int64()


def test_the_schema_is_the_same_in_every_window() -> None:
    """Or a file could not be written window by window: other talkers, invalid rows, nothing present."""
    decoder = BulkDecoder(ALL)
    parts = [
        sentence("GPGLL,0130.5,N,00230.25,E,120000,A,A"),
        sentence("GNGLL,,,,,,V,N") + sentence("GLGLL,9130.0,N,00230.25,E,120000,A,A"),
        sentence("GNGLL,,,,"),
    ]
    tables = [to_arrow(decoder.window(part).tables["nmea0183", "GLL"]) for part in parts]
    assert {table.schema.to_string() for table in tables} == {tables[0].schema.to_string()}
    whole = pa.concat_tables(tables)
    assert whole.column(TALKER).to_pylist() == ["GP", "GN", "GL", "GN"]
    assert whole.column("status").to_pylist() == ["valid", "void", "valid", None]
