"""Arrow arrays out of NumPy's and Python's.

``pyarrow.array`` would do, but it imports pandas wherever that is installed, which takes longer than many an export.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

Mask = NDArray[np.bool_]


def of_numbers(values: NDArray[Any], absent: Mask | None = None, kind: pa.DataType | None = None) -> pa.Array:
    """Numbers, null where ``absent``; of the Arrow type ``kind``, as wide as the numbers, if not of their own.

    Part of another array is copied: else all of that would stay in memory for as long as the part waits."""
    kept = np.ascontiguousarray(values) if values.base is None else values.copy()
    kind = pa.from_numpy_dtype(kept.dtype) if kind is None else kind
    return pa.Array.from_buffers(kind, len(kept), [_validity(absent), pa.py_buffer(kept)])


def of_flags(values: NDArray[np.bool_], absent: Mask | None = None) -> pa.Array:
    """Yes and no, null where ``absent``."""
    return pa.Array.from_buffers(pa.bool_(), len(values), [_validity(absent), _bits(values)])


def of_texts(values: Sequence[str | None]) -> pa.Array:
    """Texts, ``None`` as null."""
    encoded = [b"" if value is None else value.encode() for value in values]
    ends = np.zeros(len(encoded) + 1, np.int32)
    np.cumsum([len(one) for one in encoded], out=ends[1:])
    absent = np.array([value is None for value in values], np.bool_)
    buffers = [_validity(absent), pa.py_buffer(ends), pa.py_buffer(b"".join(encoded))]
    return pa.Array.from_buffers(pa.string(), len(encoded), buffers)


def of_words(codes: NDArray[Any], absent: Mask | None, names: Sequence[str]) -> pa.Array:
    """Words by their places in ``names``."""
    return pa.DictionaryArray.from_arrays(of_numbers(codes.astype(np.int32), absent), of_texts(names))


def whole_numbers_in(array: pa.Array) -> NDArray[np.int64]:
    """The values of an array of 64-bit whole numbers without nulls."""
    return np.frombuffer(array.buffers()[1], np.int64)[array.offset : array.offset + len(array)]


def _validity(absent: Mask | None) -> pa.Buffer | None:
    return None if absent is None or not absent.any() else _bits(~absent)


def _bits(flags: Mask) -> pa.Buffer:
    return pa.py_buffer(np.packbits(flags, bitorder="little"))
