"""An index's file may be anything: what is made up is refused before it costs time or memory."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from damage_ways import damaged
from offtake.card import open_journal
from offtake.jobs.indexed import indexed
from offtake.journal import index_file
from offtake.journal.bulk.order import EXTENT
from offtake.journal.index import JournalIndex
from offtake.journal.index_arrow import ArrowIndex
from offtake.journal.index_file import index_path, load_index
from offtake.journal.ladder import RUNG


def never(*_: object, **__: object) -> None:
    raise AssertionError("it is refused before")


class Crafted:
    """The index of a journal, to be written again with something else in it."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "day.jnl"
        self.path.write_bytes(damaged(2))
        with open_journal(self.path) as opened:
            indexed(self.path, opened)
        with pa.ipc.open_file(pa.BufferReader(index_path(self.path).read_bytes())) as reader:
            self.metadata: dict[bytes, bytes] = dict(reader.schema.metadata)
            batch = reader.get_batch(0)
        self.columns = dict(zip(batch.schema.names, batch.columns, strict=True))

    def write(self, options: Any = None) -> None:
        batch = pa.record_batch(self.columns).replace_schema_metadata(self.metadata)
        with index_path(self.path).open("wb") as file, pa.ipc.new_file(file, batch.schema, options=options) as writer:
            writer.write_batch(batch)

    def load(self) -> JournalIndex | None:
        with open_journal(self.path) as opened:
            return load_index(self.path, opened)


@pytest.fixture
def crafted(tmp_path: Path) -> Crafted:
    made = Crafted(tmp_path)
    made.write()
    assert made.load() is not None, "what nobody has changed is taken"
    return made


OTHERS = {
    "int": pa.array([5]),
    "struct": pa.array([{"a": 1}]),
    "list": pa.array([[1, 2]]),
    "null": pa.nulls(1),
    "text": pa.array(["x"]),
    "dictionary": pa.array(["x"]).dictionary_encode(),
    "bool": pa.array([True]),
    "rows": pa.array([[{"a": 1}]]),
    "large rows": pa.array([[{"a": 1}]], pa.large_list(pa.struct([("a", pa.int64())]))),
    "fixed list": pa.array([[1, 2]], pa.list_(pa.int32(), 2)),
    "map": pa.array([[("a", 1)]], pa.map_(pa.string(), pa.int32())),
}


@pytest.mark.parametrize("other", OTHERS)
@pytest.mark.parametrize("name", ["contents", "extents", "rungs"])
def test_columns_of_another_type_are_not_looked_at(
    name: str, other: str, crafted: Crafted, monkeypatch: pytest.MonkeyPatch
) -> None:
    crafted.columns[name] = OTHERS[other]
    crafted.write()
    monkeypatch.setattr(pa.ipc, "read_record_batch", never)
    assert crafted.load() is None


@pytest.mark.parametrize("name", ["contents", "extents", "rungs"])
def test_nothing_instead_of_a_value(name: str, crafted: Crafted) -> None:
    crafted.columns[name] = pa.nulls(1, crafted.columns[name].type)
    crafted.write()
    assert crafted.load() is None


@pytest.mark.parametrize("codec", ["zstd", "lz4"])
def test_what_is_compressed_is_not_decoded(codec: str, crafted: Crafted, monkeypatch: pytest.MonkeyPatch) -> None:
    size = 64 * 2**20
    ends = pa.py_buffer(np.array([0, size], np.int64))
    crafted.columns["contents"] = pa.Array.from_buffers(pa.large_string(), 1, [None, ends, pa.py_buffer(bytes(size))])
    crafted.write(pa.ipc.IpcWriteOptions(compression=codec))
    if codec == "zstd":
        assert index_path(crafted.path).stat().st_size < 2**16
    monkeypatch.setattr(pa.ipc, "read_record_batch", never)
    assert crafted.load() is None


def test_it_is_no_larger_than_its_journal_can_need(crafted: Crafted, monkeypatch: pytest.MonkeyPatch) -> None:
    blocks = -(-crafted.path.stat().st_size // 512)
    limits = index_file._Limits.of(crafted.path.stat().st_size)
    assert limits.file < 2**19 + 4096 * blocks
    most = index_file._Limits.of(2**42)
    assert most.text == 4 * 2**20
    # Of any card there is: a few hundred megabytes are never asked for.
    assert index_file._Limits.of(2**32).file < 48 * 2**20
    with index_path(crafted.path).open("ab") as file:
        file.truncate(limits.file + 1)
    monkeypatch.setattr("offtake.journal.index_arrow.ArrowIndex", never)
    assert crafted.load() is None


@pytest.mark.parametrize("name", ["contents", "extents", "rungs"])
def test_no_part_is_larger_than_it_may_be(name: str, crafted: Crafted, monkeypatch: pytest.MonkeyPatch) -> None:
    index = crafted.load()
    assert index is not None
    most = {"contents": 10, "extents": index.order.extents.size - 1, "rungs": index.rungs.size - 1}[name]
    limits = {"contents": 2**20, "extents": 2**20, "rungs": 2**20, name: most}
    made = index_file._Limits(limits["contents"], limits["extents"], limits["rungs"])
    with monkeypatch.context() as patch, open_journal(crafted.path) as opened:
        patch.setattr(index_file._Limits, "of", classmethod(lambda _cls, _size: made))
        patch.setattr("offtake.journal.index_file.restored", never)
        assert load_index(crafted.path, opened) is None
        assert not index_file.save_index(index, crafted.path, opened, crafted.path.stat())


@pytest.mark.parametrize("value", [None, 5, [], "x", [1, 2], {}, {"size": None}])
def test_what_tells_its_journal_may_be_anything(value: Any, crafted: Crafted) -> None:
    crafted.metadata[b"journal"] = json.dumps(value).encode()
    crafted.write()
    assert crafted.load() is None


@pytest.mark.parametrize("value", [None, -1, 2**40, 2**60, 2**70, "x", [1], {}, 1.5, True])
def test_each_thing_that_tells_its_journal_may_be_anything(value: Any, crafted: Crafted) -> None:
    seen = json.loads(crafted.metadata[b"journal"])
    for name in seen:
        crafted.metadata[b"journal"] = json.dumps({**seen, name: value}).encode()
        crafted.write()
        assert crafted.load() is None


def test_a_long_description_is_not_read(crafted: Crafted, monkeypatch: pytest.MonkeyPatch) -> None:
    crafted.metadata[b"more"] = b"x" * 2**17
    crafted.write()
    monkeypatch.setattr(pa.ipc, "read_schema", never)
    assert crafted.load() is None


def test_a_batch_of_no_rows_or_of_several(crafted: Crafted) -> None:
    columns = dict(crafted.columns)
    for rows in (0, 2):
        crafted.columns = {name: pa.concat_arrays([column] * rows) if rows else column[:0]
                           for name, column in columns.items()}  # fmt: skip
        crafted.write()
        assert crafted.load() is None


def test_both_ends_of_the_types_that_are_written(crafted: Crafted) -> None:
    found = ArrowIndex(index_path(crafted.path).read_bytes())
    _, extents, rungs = found.contents(2**20)
    assert (extents.dtype, rungs.dtype) == (EXTENT, RUNG)
