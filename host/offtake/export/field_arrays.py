"""The fields of logged messages as Arrow arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.arrow import of_flags, of_numbers, of_texts, of_words
from offtake.journal.columns import Column
from offtake.records import text_of

# An Arrow view of some bytes: how many, and either all of them (at most so many) or the first four and where they lie.
_INSIDE = 12
_VIEW = np.dtype([("size", "<i4"), ("head", f"V{_INSIDE}")])
# Choices of one byte are put into words by a table.
_FEW = 256


def type_of(column: Column) -> pa.DataType:
    """The Arrow type of a column: whole numbers, decimals, names of choices and flags as words, all else as text."""
    if column.kind in ("word", "flags"):
        return pa.dictionary(pa.int32(), pa.string())
    return {"integer": pa.int64(), "number": pa.float64()}.get(column.kind, pa.string())


def array_of(column: Column) -> pa.Array:
    """The column's values, null where absent; text as logged, line ends and all, bytes as hex digits."""
    absent = None if column.present.all() else ~column.present
    if column.numeric:
        return of_numbers(column.values, absent)
    if column.kind in ("word", "flags"):
        return _words(column, absent)
    return of_texts(column.texts())


def _words(column: Column, absent: NDArray[np.bool_] | None) -> pa.Array:
    """Each different number is put into words once."""
    values = column.values if absent is None else np.where(absent, 0, column.values)
    if len(values) and values.min() >= 0 and values.max() < _FEW:
        raw = np.flatnonzero(np.bincount(values, minlength=_FEW))
        place = np.zeros(_FEW, np.int32)
        place[raw] = np.arange(len(raw))
        places = place[values]
    else:
        raw, places = np.unique(values, return_inverse=True)
    once = Column(column.name, column.field, column.unit, column.kind, raw, np.ones(len(raw), np.bool_), column.choices)
    return of_words(places, absent, [text or "" for text in once.texts()])


def bytes_array(
    data: bytes, at: NDArray[np.int64], size: NDArray[Any], present: NDArray[np.bool_] | None = None
) -> pa.Array:
    """Stretches of ``data``, ``size`` bytes from each of ``at`` on (shape (n,)), as binary values, null where not
    ``present``."""
    if present is not None and not present.all():
        at, size = np.where(present, at, 0), np.where(present, size, 0)
    views = np.zeros(len(at), _VIEW)
    views["size"] = size
    if len(at):
        room = _padded_end(data, int(at.max()))
        starts = np.ndarray((len(room) - _INSIDE + 1,), _VIEW["head"], room, 0, (1,))
        views["head"] = starts[at]
    raw = views.view(np.uint8).reshape(-1, _VIEW.itemsize)
    short = np.flatnonzero(size <= _INSIDE)
    head = raw[short, 4:]
    head[np.arange(_INSIDE) >= np.asarray(size)[short, np.newaxis]] = 0
    raw[short, 4:] = head
    # Of a longer one the view says, behind the first four bytes, in which buffer and where.
    words = raw.view("<i4")
    long = np.flatnonzero(size > _INSIDE)
    words[long, 2] = 0
    words[long, 3] = at[long]
    valid = None if present is None else of_flags(present).buffers()[1]
    buffers = [valid, pa.py_buffer(views), pa.py_buffer(data)]
    return pa.Array.from_buffers(pa.binary_view(), len(at), buffers).cast(pa.binary())


def texts_of(raw: pa.Array) -> pa.Array:
    """Bytes as the texts they are in a log; each different one is read once."""
    once = raw.dictionary_encode()
    texts = of_texts([text_of(one) for one in once.dictionary.to_pylist()])
    return texts.take(once.indices)


def _padded_end(data: bytes, last: int) -> bytes:
    """``data``, with so much behind it that a view's bytes can be taken from ``last`` on."""
    missing = last + _INSIDE - len(data)
    return data if missing <= 0 else data + bytes(missing)
