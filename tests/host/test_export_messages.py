"""Tables of messages become one Parquet file for each kind of message."""

from __future__ import annotations

import os
from pathlib import Path

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from offtake.errors import DamageError, UsageError
from offtake.export.messages import MessageFile, write_messages_parquet

SCHEMA = pa.schema(
    [
        pa.field("offset", pa.uint64(), metadata={"unit": "byte", "doc": "Where."}),
        pa.field("talker", pa.dictionary(pa.int32(), pa.string())),
    ]
)


def some(*offsets: int, talker: str | None = "GN") -> pa.Table:
    return pa.Table.from_pydict({"offset": offsets, "talker": [talker] * len(offsets)}, schema=SCHEMA)


def test_each_kind_has_its_file_with_its_rows_in_order(tmp_path: Path) -> None:
    tables = [
        ("nmea0183", "GGA", some(0, 80)),
        ("b562", "status", some(40, talker=None)),
        ("nmea0183", "GGA", some(160, talker="GP")),
    ]
    done = write_messages_parquet(tables, tmp_path / "day.1")
    assert done == (
        MessageFile("nmea0183", "GGA", tmp_path / "day.1_nmea0183.gga.parquet", 3),
        MessageFile("b562", "status", tmp_path / "day.1_b562.status.parquet", 1),
    )
    read = pq.read_table(done[0].path)
    assert read.to_pydict() == {"offset": [0, 80, 160], "talker": ["GN", "GN", "GP"]}
    assert read.schema.field("offset").metadata == {b"unit": b"byte", b"doc": b"Where."}
    assert pq.read_table(done[1].path).to_pydict() == {"offset": [40], "talker": [None]}
    assert write_messages_parquet([], tmp_path / "none") == ()
    assert len(os.listdir(tmp_path)) == 2


@pytest.mark.parametrize("name", ["../gga", "", "a.b", "a/b", "x" * 65, "a\u202eb"])
def test_names_that_are_no_part_of_a_file_name_are_refused(name: str, tmp_path: Path) -> None:
    for kind in ((name, "gga"), ("nmea0183", name)):
        with pytest.raises(UsageError, match="called"):
            write_messages_parquet([("rtcm3", "ok", some(1)), (*kind, some(1))], tmp_path / "day")
    assert os.listdir(tmp_path) == []


def test_nothing_is_written_when_tables_differ_or_a_file_is_in_the_way(tmp_path: Path) -> None:
    other = pa.table({"offset": pa.array([1], pa.int64())})
    with pytest.raises(DamageError, match="rtcm3 m1005: two tables of one kind"):
        write_messages_parquet([("rtcm3", "m1005", some(1)), ("rtcm3", "m1005", other)], tmp_path / "day")
    assert os.listdir(tmp_path) == []
    (tmp_path / "day_rtcm3.m1005.parquet").write_bytes(b"precious")
    with pytest.raises(UsageError, match="exists already"):
        write_messages_parquet([("b562", "x", some(1)), ("rtcm3", "m1005", some(1))], tmp_path / "day")
    assert os.listdir(tmp_path) == ["day_rtcm3.m1005.parquet"]
    write_messages_parquet([("rtcm3", "m1005", some(1))], tmp_path / "day", replace=True)
    assert pq.read_table(tmp_path / "day_rtcm3.m1005.parquet").num_rows == 1


def test_two_kinds_that_differ_in_capitals_only_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="two kinds of message called gga"):
        write_messages_parquet([("nmea0183", "GGA", some(1)), ("nmea0183", "gga", some(1))], tmp_path / "day")
    assert os.listdir(tmp_path) == []
