"""An index's contents as an Arrow IPC file of one row, and back from a file that may hold anything.

What comes back takes no more memory than the file does: nothing compressed is decoded, and nothing of another schema is
looked at.
"""

from __future__ import annotations

from typing import BinaryIO

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.journal.bulk.order import EXTENT
from offtake.journal.ladder import RUNG

MAGIC = b"ARROW1"
"""How an Arrow IPC file begins and ends."""

# The format's own names and numbers: Arrow's "IPC file format" and Message.fbs, and FlatBuffers' "internals".
_STREAM_AT = 8
_HEADER_FIELD = 2
_COMPRESSION_FIELD = 3
# The greatest that the descriptions of our columns and of their one batch come to.
_DESCRIPTION_MAX = 16_384


def write_arrow(
    file: BinaryIO, metadata: dict[bytes, bytes], contents: bytes, extents: NDArray[np.void], rungs: NDArray[np.void]
) -> None:
    """Write an index with ``extents`` (of ``EXTENT``) and ``rungs`` (of ``RUNG``)."""
    columns = [_text_column(contents), _rows_column(extents), _rows_column(rungs)]
    batch = pa.record_batch(columns, schema=_schema().with_metadata(metadata))
    with pa.ipc.new_file(file, batch.schema) as writer:
        writer.write_batch(batch)


class ArrowIndex:
    """An index's file, all of which is ``data``. ValueError, IndexError, KeyError or an Arrow exception for another."""

    def __init__(self, data: bytes) -> None:
        if not data.startswith(MAGIC):
            raise ValueError("no Arrow file")
        # The stream inside, not the footer's list of places: what is checked is what is decoded then.
        self._messages = pa.ipc.MessageReader.open_stream(pa.py_buffer(data).slice(_STREAM_AT))
        self._schema = pa.ipc.read_schema(self._next("schema"))
        self.metadata: dict[bytes, bytes] = self._schema.metadata or {}

    def contents(self, text_max: int) -> tuple[bytes, NDArray[np.void], NDArray[np.void]]:
        """The text, no longer than ``text_max``, the extents and the rungs."""
        if not self._schema.equals(_schema()):
            raise ValueError("other columns")
        message = self._next("record batch")
        if _is_compressed(message.metadata.to_pybytes()):
            raise ValueError("compressed")
        batch = pa.ipc.read_record_batch(message, self._schema)
        batch.validate(full=True)
        if batch.num_rows != 1:
            raise ValueError("not one row")
        text = _text_of(batch.column(0), text_max)
        return text, _rows_of(batch.column(1), EXTENT), _rows_of(batch.column(2), RUNG)

    def _next(self, kind: str) -> pa.Message:
        try:
            message = self._messages.read_next_message()
        except StopIteration as error:
            raise ValueError(f"no {kind}") from error
        if message.type != kind or message.metadata.size > _DESCRIPTION_MAX:
            raise ValueError(f"no {kind}")
        return message


def _is_compressed(metadata: bytes) -> bool:
    """Whether the description of a batch says that its body is compressed. Arrow has checked its structure before."""
    message = _number(metadata, 0, 4)
    header = _field(metadata, message, _HEADER_FIELD)
    batch = header + _number(metadata, header, 4) if header else 0
    return not batch or _field(metadata, batch, _COMPRESSION_FIELD) != 0


def _field(data: bytes, table: int, field: int) -> int:
    """Where a table's field lies; 0 where the table has none."""
    names = table - _number(data, table, 4, signed=True)
    at = 4 + 2 * field
    offset = _number(data, names + at, 2) if at < _number(data, names, 2) else 0
    return table + offset if offset else 0


def _number(data: bytes, at: int, size: int, *, signed: bool = False) -> int:
    if not 0 <= at <= len(data) - size:
        raise ValueError("no such place")
    return int.from_bytes(data[at : at + size], "little", signed=signed)


# Arrow's own conversions from and to Python and NumPy import pandas where that is installed, for longer than all the
# rest takes: buffers do not.


def _struct_of(kind: np.dtype[np.void]) -> pa.DataType:
    return pa.struct([(name, pa.from_numpy_dtype(kind[name])) for name in kind.names or ()])


def _schema() -> pa.Schema:
    """The columns of every index."""
    rows = [(name, pa.large_list(_struct_of(kind))) for name, kind in (("extents", EXTENT), ("rungs", RUNG))]
    return pa.schema([("contents", pa.large_string()), *rows])


def _text_column(data: bytes) -> pa.Array:
    ends = np.array([0, len(data)], np.int64)
    return pa.Array.from_buffers(pa.large_string(), 1, [None, pa.py_buffer(ends), pa.py_buffer(data)])


def _text_of(column: pa.Array, text_max: int) -> bytes:
    _, ends, data = column.buffers()
    if column.null_count or ends is None or data is None:
        raise ValueError("no text")
    begin, end = np.frombuffer(ends, np.int64, 2, 8 * column.offset).tolist()
    if not 0 <= begin <= end <= min(begin + text_max, data.size):
        raise ValueError("too much text")
    return bytes(memoryview(data)[begin:end])


def _rows_column(rows: NDArray[np.void]) -> pa.Array:
    """A list of one element: the rows, as structures of their fields."""
    fields = []
    for name in rows.dtype.names or ():
        values = np.ascontiguousarray(rows[name])
        fields.append(pa.Array.from_buffers(pa.from_numpy_dtype(values.dtype), len(rows), [None, pa.py_buffer(values)]))
    structs = pa.StructArray.from_arrays(fields, names=list(rows.dtype.names or ()))
    ends = pa.py_buffer(np.array([0, len(rows)], np.int64))
    return pa.Array.from_buffers(pa.large_list(structs.type), 1, [None, ends], children=[structs])


def _rows_of(column: pa.Array, kind: np.dtype[np.void]) -> NDArray[np.void]:
    """The rows that :func:`_rows_column` gave."""
    structs = column.flatten()
    rows = np.zeros(len(structs), kind)
    for name in kind.names or ():
        values = structs.field(name)
        data = values.buffers()[1]
        if values.null_count or (data is None and len(values)):
            raise ValueError(f"no {name}")
        if len(values):
            rows[name] = np.frombuffer(data, kind[name], len(values), kind[name].itemsize * values.offset)
    return rows
