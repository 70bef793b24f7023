"""The index beside a journal's file: ``FILE.index``, an Arrow IPC file of one row.

It is a convenience that can be lost at any time. One that is stale, damaged, of another version or made up counts as
none, and where none can be written there is none.
"""

from __future__ import annotations

import json
import os
import stat
import zlib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.order import EXTENT
from offtake.journal.index import JournalIndex, restored, state_of
from offtake.journal.kept import whole
from offtake.journal.ladder import RUNG
from offtake.journal.source import ByteSource

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

INDEX_VERSION = 1
EXTENTS_MAX = 2**20
"""A file whose blocks lie in more pieces gets no index: no journal does that by itself."""

_SIZE_MAX = 128 * 2**20
_TOLD_WITHIN = 4096
_STRANGE = (OSError, ValueError, TypeError, KeyError, IndexError, OverflowError, RecursionError)
_VERSION_KEY = b"offtake_journal_index"
_SEEN_KEY = b"journal"


def index_path(path: Path) -> Path:
    """Where the index of the journal at ``path`` lies."""
    return path.with_name(path.name + ".index")


def load_index(path: Path, source: ByteSource) -> JournalIndex | None:
    """The index of the journal at ``path``, which is ``source``; None where there is none that fits it. Raises only
    what ``source.read`` raises."""
    import pyarrow as pa

    # Whatever an index holds that no index can hold, and whatever is wrong with its file, makes it none.
    with suppress(*_STRANGE, pa.ArrowException):
        status = index_path(path).stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > _SIZE_MAX:
            return None
        with pa.OSFile(str(index_path(path))) as file, pa.ipc.open_file(file) as reader:
            metadata = reader.schema.metadata
            if metadata[_VERSION_KEY] != str(INDEX_VERSION).encode() or reader.num_record_batches != 1:
                return None
            seen = json.loads(metadata[_SEEN_KEY])
            if not _is_of(seen, path, source):
                return None
            batch = reader.get_batch(0)
            batch.validate(full=True)
            extents, rungs = _rows_of(batch.column("extents"), EXTENT), _rows_of(batch.column("rungs"), RUNG)
            contents = _text_of(batch.column("contents"))
        if _crc_of(contents, extents, rungs) == seen["index_crc"]:
            return restored(json.loads(contents), extents, rungs)
    return None


def save_index(index: JournalIndex, path: Path, source: ByteSource, since: os.stat_result) -> bool:
    """Write the index of the journal at ``path``, which is ``source``, aside and then into its place.

    Returns whether that was done. It is not, and nothing is said, where the journal is no longer as it was ``since``,
    where the folder cannot be written to or something else bears the index's name, or where the index would be too
    large. Raises only what ``source.read`` raises.
    """
    target = index_path(path)
    aside = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        now = path.stat()
        changed = (now.st_size, now.st_mtime_ns) != (since.st_size, since.st_mtime_ns)
        if changed or index.order.extents.size > EXTENTS_MAX or not _is_free(target):
            return False
        _write(index, aside, _seen_now(index, now, source))
        os.replace(aside, target)
    except OSError:
        return False
    finally:
        with suppress(OSError):
            aside.unlink()
    return True


def _is_free(target: Path) -> bool:
    """Whether nothing is there, or an index, even a damaged one, which tells its kind at both ends."""
    try:
        status = target.lstat()
    except FileNotFoundError:
        return True
    if not stat.S_ISREG(status.st_mode):
        return False
    with target.open("rb") as file:
        head = file.read(_TOLD_WITHIN)
        file.seek(max(0, status.st_size - _TOLD_WITHIN))
        return not status.st_size or _VERSION_KEY in head or _VERSION_KEY in file.read(_TOLD_WITHIN)


def _write(index: JournalIndex, path: Path, seen: dict[str, int]) -> None:
    import pyarrow as pa

    contents = json.dumps(state_of(index), separators=(",", ":"))
    seen = {**seen, "index_crc": _crc_of(contents.encode(), index.order.extents, index.rungs)}
    columns = {
        "contents": _text_column(contents),
        "extents": _rows_column(index.order.extents),
        "rungs": _rows_column(index.rungs),
    }
    metadata = {_VERSION_KEY: str(INDEX_VERSION), _SEEN_KEY: json.dumps(seen)}
    batch = pa.record_batch(columns).replace_schema_metadata(metadata)
    with path.open("xb") as file:
        with pa.ipc.new_file(file, batch.schema) as writer:
            writer.write_batch(batch)
        file.flush()
        os.fsync(file.fileno())


def _seen_now(index: JournalIndex, status: os.stat_result, source: ByteSource) -> dict[str, int]:
    """By what it is told whether the journal is still the one that the index is of."""
    last = index.last_position()
    return {
        "size": status.st_size,
        "mtime_ns": status.st_mtime_ns,
        "header_crc": _crc_at(source, 0),
        "last_position": last,
        "last_crc": _crc_at(source, last),
    }


def _is_of(seen: Any, path: Path, source: ByteSource) -> bool:
    status = path.stat()
    if (seen["size"], seen["mtime_ns"]) != (status.st_size, status.st_mtime_ns) or source.size != status.st_size:
        return False
    last = whole(seen["last_position"])
    return bool(_crc_at(source, 0) == seen["header_crc"] and _crc_at(source, last) == seen["last_crc"])


def _crc_of(contents: bytes, *arrays: NDArray[np.void]) -> int:
    """Of everything that an index holds: it may be made up, but not damaged."""
    crc = zlib.crc32(contents)
    for rows in arrays:
        crc = zlib.crc32(rows.tobytes(), crc)
    return crc


def _crc_at(source: ByteSource, position: int) -> int:
    return zlib.crc32(source.read(position * BLOCK_SIZE, BLOCK_SIZE))


# Arrow's own conversions from and to Python and NumPy import pandas where that is installed, for longer than all the
# rest takes: buffers do not.


def _text_column(text: str) -> pa.Array:
    import pyarrow as pa

    data = text.encode()
    ends = np.array([0, len(data)], np.int64)
    return pa.Array.from_buffers(pa.large_string(), 1, [None, pa.py_buffer(ends), pa.py_buffer(data)])


def _text_of(column: pa.Array) -> bytes:
    """The text that :func:`_text_column` gave, or whatever else a column of its type holds."""
    import pyarrow as pa

    if column.type != pa.large_string() or len(column) != 1 or column.null_count:
        raise ValueError("no text")
    _, ends, data = column.buffers()
    begin, end = np.frombuffer(ends, np.int64, 2, 8 * column.offset).tolist()
    return bytes(memoryview(data)[begin:end])


def _rows_column(rows: NDArray[np.void]) -> pa.Array:
    """A list of one element: the rows, as structures of their fields."""
    import pyarrow as pa

    fields = []
    for name in rows.dtype.names or ():
        values = np.ascontiguousarray(rows[name])
        fields.append(pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(rows), [None, pa.py_buffer(values)]))
    structs = pa.StructArray.from_arrays(fields, names=list(rows.dtype.names or ()))
    ends = pa.py_buffer(np.array([0, len(rows)], np.int64))
    return pa.Array.from_buffers(pa.large_list(structs.type), 1, [None, ends], children=[structs])


def _rows_of(column: pa.Array, kind: np.dtype[np.void]) -> NDArray[np.void]:
    """The rows that :func:`_rows_column` gave; ValueError, TypeError or KeyError for another column."""
    import pyarrow as pa

    structs = column.flatten()
    rows = np.zeros(len(structs), kind)
    for name in kind.names or ():
        values = structs.field(name)
        if values.null_count or values.type != pa.from_numpy_dtype(kind[name]):
            raise ValueError(f"no {name}")
        rows[name] = np.frombuffer(values.buffers()[1], kind[name], len(values), kind[name].itemsize * values.offset)
    return rows
