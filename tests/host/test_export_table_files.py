"""Tables written piece by piece: whole groups of rows with statistics, however the pieces come; few rows wait."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.arrow import of_flags, of_numbers, of_texts, of_words, whole_numbers_in
from offtake.export import table_files
from offtake.export.aside import Together
from offtake.export.table_files import ROWS_IN_GROUP, ParquetFiles, csv_file, parquet_file
from offtake.generated.records import Pulses
from offtake.jobs.export import export

WORDS = ("none", "some", "all")


def piece(first: int, count: int) -> pa.Table:
    numbers = np.arange(first, first + count, dtype=np.int64)
    # Each piece has a table of words of its own.
    names = WORDS[first % 3 :] + WORDS[: first % 3]
    words = of_words(numbers % 3, numbers % 7 == 0, names)
    return pa.table({"number": of_numbers(numbers), "word": words})


def pieces(seed: int, total: int, most: int) -> list[pa.Table]:
    rng = np.random.default_rng(seed)
    found, first = [], 0
    while first < total:
        count = min(int(rng.integers(0, most)), total - first)
        found.append(piece(first, count))
        first += count
    return found


@pytest.mark.parametrize("most", [3_000, 50_000, 300_000])
def test_groups_are_whole_and_have_statistics(most: int, tmp_path: Path) -> None:
    total = 2 * ROWS_IN_GROUP + 1_234
    given = pieces(most, total, most)
    with parquet_file(tmp_path / "t.parquet", given[0].schema) as file:
        for table in given:
            file.write(table)
    read = pq.ParquetFile(tmp_path / "t.parquet")
    groups = [read.metadata.row_group(number) for number in range(read.num_row_groups)]
    assert [group.num_rows for group in groups] == [ROWS_IN_GROUP, ROWS_IN_GROUP, 1_234]
    assert [group.column(0).compression for group in groups] == ["ZSTD"] * 3
    ends = [(group.column(0).statistics.min, group.column(0).statistics.max) for group in groups]
    assert ends == [(0, 65_535), (65_536, 131_071), (131_072, total - 1)]
    assert [group.column(1).statistics.null_count for group in groups] == [9_363, 9_362, 176]
    expected = pa.concat_tables(given).to_pylist()
    assert read.read().to_pylist() == expected


def test_wide_rows_make_smaller_groups(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_files, "BYTES_IN_GROUP", 10_000)
    given = pieces(1, 5_000, 300)
    with parquet_file(tmp_path / "t.parquet", given[0].schema) as file:
        for table in given:
            file.write(table)
            assert file.waiting_bytes < 10_000
    assert pq.ParquetFile(tmp_path / "t.parquet").num_row_groups > 5
    assert pq.read_table(tmp_path / "t.parquet").column("number").to_pylist() == list(range(5_000))


def test_many_files_keep_few_rows_waiting(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table_files, "BYTES_WAITING", 50_000)
    with Together() as together, ParquetFiles(together) as files:
        for number, table in enumerate(pieces(2, 40_000, 400)):
            files.write(tmp_path / f"{number % 5}.parquet", table)
            assert sum(file.waiting_bytes for file in files._files.values()) <= 50_000
    read = [pq.read_table(tmp_path / f"{number}.parquet").column("number").to_pylist() for number in range(5)]
    assert sorted(one for some in read for one in some) == list(range(40_000))
    assert all(some == sorted(some) for some in read)


def test_csv_in_pieces_is_the_same_as_at_once(tmp_path: Path) -> None:
    given = pieces(4, 3_000, 500)
    for name, tables in (("pieces", given), ("once", [pa.concat_tables(given)])):
        with csv_file(tmp_path / name, given[0].schema) as file:
            for table in tables:
                file.write(table)
    assert (tmp_path / "pieces").read_bytes() == (tmp_path / "once").read_bytes()
    assert (tmp_path / "once").read_bytes().startswith(b"number,word\r\n0,\r\n1,some\r\n2,all\r\n")


def test_arrays_are_what_pyarrow_makes() -> None:
    rng = np.random.default_rng(3)
    absent = rng.random(100) < 0.3
    numbers, flags = rng.integers(-9, 9, 100), rng.random(100) < 0.5
    texts = [None if gone else f"ä{number}" for number, gone in zip(numbers, absent, strict=True)]
    assert of_numbers(numbers, absent).equals(pa.array(numbers, mask=absent))
    assert of_numbers(numbers[::2]).equals(pa.array(numbers[::2]))
    assert of_flags(flags, absent).equals(pa.array(flags, mask=absent))
    assert of_texts(texts).equals(pa.array(texts, pa.string()))
    assert of_words(numbers % 3, absent, WORDS).to_pylist() == [
        None if gone else WORDS[number % 3] for number, gone in zip(numbers, absent, strict=True)
    ]
    assert whole_numbers_in(of_numbers(numbers).slice(3, 5)).tolist() == numbers[3:8].tolist()
    assert len(of_texts([])) == len(of_flags(flags[:0])) == 0


def test_an_export_does_not_import_pandas(tmp_path: Path) -> None:
    """It is no part of the installation, and where it is installed its import takes longer than a small export."""
    log = Log().run(own_descriptions())
    for second in range(1, 30):
        log.say(second, rmc(second)).put(Pulses.CODE, second * TICKS_PER_S + 7, Pulses(second, 1).encode())
    (tmp_path / "a.jnl").write_bytes(log.data())
    run = "import sys; from offtake.cli import main; main(sys.argv[1:]); sys.exit('pandas' in sys.modules)"
    formats = "csv,parquet,messages,frames,raw,split"
    arguments = ["export", str(tmp_path / "a.jnl"), "--to", formats, "-o", str(tmp_path / "day")]
    done = subprocess.run([sys.executable, "-c", run, *arguments], capture_output=True, text=True, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("name", ["fixes", "events", "satellites", "measured_pulses", "frames_raw"])
def test_every_table_of_an_export_has_statistics(name: str, tmp_path: Path) -> None:
    log = Log().run(own_descriptions())
    for second in range(1, 30):
        log.say(second, rmc(second)).say(second, f"GPGSV,1,1,01,03,{second:02d},111,40")
        log.put(Pulses.CODE, second * TICKS_PER_S + 7, Pulses(second, 1).encode())
    (tmp_path / "a.jnl").write_bytes(log.data())
    export(tmp_path / "a.jnl", ["parquet", "frames"], tmp_path / "day")
    read = pq.ParquetFile(tmp_path / f"day_{name}.parquet")
    tick = read.schema_arrow.get_field_index("tick_us")
    statistics = read.metadata.row_group(0).column(tick).statistics
    assert statistics.has_min_max
    assert statistics.max > statistics.min >= 0
