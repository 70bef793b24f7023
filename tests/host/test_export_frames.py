"""Every frame of a journal as columns: the same as decoding each by itself, whatever the log says of its messages."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from measured_logs import TICKS_PER_S, Log, own_descriptions, rmc
from offtake.export.frames import frame_columns
from offtake.generated.records import Analogue, Event, Level, Pulses
from offtake.jobs.export import export
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.frames import Frame
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from scalar_frames import timed_frames

# code 100, "mixed": a number, three letters, a scaled array, flags, a text of any length.
MIXED = (
    b"\x01\x64\x05mixed"
    + b"\x00\x0cblock_number"
    + b"\x17\x03tag\x03"
    + b"\x34\x01v\x02\x3e\x02\x00"
    + b"\x80\x05flags\x82\x00\x03wet\x03\x03hot"
    + b"\x07\x04said"
)
# code 101, "blobs": letters and numbers in turns.
BLOBS = b"\x01\x65\x05blobs" + b"\x16\x01a\x02" + b"\x01\x01n" + b"\x16\x01b\x0f" + b"\x06\x04rest"


def a_log(seed: int = 1) -> Log:
    rng = random.Random(seed)
    log = Log()
    for run in range(3):
        log.run([*own_descriptions(), MIXED, BLOBS] if run != 1 else [])
        for second in range(1, 12):
            log.say(second, rmc(second))
            tick = second * TICKS_PER_S + 5_000
            log.put(Analogue.CODE, tick, Analogue(rng.randrange(5000), rng.randrange(5000)).encode())
            log.put(Pulses.CODE, tick, Pulses(second, 10).encode()[: rng.choice([8, 8, 4, 1])])
            log.put(Event.CODE, tick, bytes([rng.choice([*Level, 9]), 3]))
            if run != 1:
                text = rng.choice([b"", b"caf\xc3\xa9 \xff", b"cut\x00off", b"=long enough not to fit in"])
                mixed = bytes([second]) + rng.choice([b"abc", b"a\0\xff"]) + rng.randbytes(4) + b"\x89" + text
                log.put(100, tick, mixed[: rng.choice([99, 99, 9, 6, 2])])
                log.put(101, tick, rng.randbytes(rng.choice([40, 19, 18, 3, 1])))
            log.put(99, tick, rng.randbytes(rng.randrange(1, 30)))
    return log


def of_one(found: Salvage, run: int, code: int, payload: bytes) -> dict[str, Any]:
    """The values of one frame as a row of its table has them."""
    layout = found.survey().layouts.of(run, code)
    if layout is None:
        return {"payload": payload}
    values: dict[str, Any] = {}
    fields = {one.name: one for one in layout.message.fields}
    for name, value in layout.message.decode(payload)[1].items():
        if isinstance(value, tuple) and fields[name].is_flags:
            values[name] = "+".join(map(str, value)) or "0"
        elif isinstance(value, tuple):
            values |= {f"{name}_{index}": one for index, one in enumerate(value)}
        else:
            values[name] = str(value) if fields[name].choices else value
    if "block_number" in values:
        values["block_number_2"] = values.pop("block_number")
    return values


def by_frame(found: Salvage) -> dict[str, list[dict[str, Any]]]:
    rows: dict[str, list[dict[str, Any]]] = {}
    for info in found.runs():
        for tick_us, frame in timed_frames(found.frames(info.run)):
            name = found.survey().layouts.name(info.run, frame.code)
            base = {"run": info.run, "block_number": frame.block_number, "tick_us": tick_us}
            rows.setdefault(name, []).append(base | of_one(found, info.run, frame.code, frame.payload))
    return rows


def told(tables: dict[str, list[pa.Table]]) -> dict[str, list[dict[str, Any]]]:
    """The rows of tables, without what is absent."""
    rows = {name: pa.concat_tables(some).to_pylist() for name, some in tables.items()}
    return {
        name: [{key: value for key, value in row.items() if value is not None} for row in some]
        for name, some in rows.items()
    }


def by_table(found: Salvage) -> dict[str, list[pa.Table]]:
    tables: dict[str, list[pa.Table]] = {}
    for name, table in frame_columns(found):
        tables.setdefault(name, []).append(table)
    return tables


@pytest.mark.parametrize("seed", range(4))
def test_columns_hold_every_frame(seed: int) -> None:
    """Whole journals, and such with bytes changed here and there: damaged blocks' frames are there too."""
    data = bytearray(a_log(seed).data())
    rng = random.Random(seed)
    for _ in range(3 * seed):
        data[rng.randrange(512, len(data))] ^= 1 << rng.randrange(8)
    found = salvage(BytesSource(bytes(data)))
    tables = by_table(found)
    assert told(tables) == by_frame(found)
    assert sum(sum(table.num_rows for table in some) for some in tables.values()) == sum(
        run.frames for run in found.runs()
    )
    assert {"raw", "run_start", "analogue", "mixed", "blobs", "unknown_99"} <= set(tables)


def test_names_units_and_types() -> None:
    tables = {name: some[0].schema for name, some in by_table(a_log().salvage()).items()}
    assert tables["raw"].names == ["run", "block_number", "tick_us", "data"]
    assert tables["raw"].field("data").type == pa.binary()
    assert tables["analogue"].field("input_1_mv").metadata[b"unit"] == b"mV"
    mixed = tables["mixed"]
    assert mixed.names == ["run", "block_number", "tick_us", "block_number_2", "tag", "v_0", "v_1", "flags", "said"]
    assert mixed.field("flags").type == pa.dictionary(pa.int32(), pa.string())
    assert mixed.field("v_0").type == pa.float64()
    assert mixed.metadata[b"code"] == b"100"
    assert all(field.metadata[b"doc"] for schema in tables.values() for field in schema)


def test_the_format_writes_a_file_for_each_message(tmp_path: Path) -> None:
    (tmp_path / "a.jnl").write_bytes(a_log().data())
    done = export(tmp_path / "a.jnl", ["frames"], tmp_path / "day")
    found = a_log().salvage()
    files = {one.path.name.removeprefix("day_frames_").removesuffix(".parquet"): one.path for one in done.files}
    assert told({name: [pq.read_table(path)] for name, path in files.items()}) == by_frame(found)
    assert done.summary is None
    export(tmp_path / "a.jnl", ["frames"], tmp_path / "one", run=2)
    assert set(pq.read_table(tmp_path / "one_frames_analogue.parquet").column("run").to_pylist()) == {2}


def test_of_an_intact_journal_nothing_is_decoded_frame_by_frame(monkeypatch: pytest.MonkeyPatch) -> None:
    found = a_log().salvage()
    found.survey()
    looked_at = 0
    one_by_one = FrameTable.frames

    def counted(table: FrameTable) -> Iterator[Frame]:
        nonlocal looked_at
        for frame in one_by_one(table):
            looked_at += 1
            yield frame

    monkeypatch.setattr(FrameTable, "frames", counted)
    assert sum(table.num_rows for some in by_table(found).values() for table in some) > 100
    assert looked_at <= 2 * len(found.runs())
