"""Tables of messages as Arrow tables, with units and descriptions in the fields' metadata."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.arrow import of_flags, of_numbers, of_texts
from offtake.dialects.bulk.columns import Column, Shape
from offtake.dialects.bulk.messages import MessageTable

OFFSET, TALKER, INVALID, REASON = "_offset", "_talker", "_invalid", "_reason"
"""Columns beside a dialect's own, whose names never begin with an underscore."""

# Python's whole numbers beyond 64 bits become decimals; the largest type Arrow has holds 76 digits.
_HUGE = pa.decimal256(76, 0)


def to_arrow(table: MessageTable) -> pa.Table:
    """One Arrow table with a row for each message.

    Columns: ``_offset`` (uint64, of the message's first byte in the stream), ``_talker`` (text dialects), the fields
    (absent: null; codes as dictionaries of their names; groups as lists of structures), ``_invalid`` and ``_reason``
    (null where nothing is wrong). A field's metadata has ``unit`` and ``doc``, the table's ``dialect``, ``message`` and
    ``doc``. Tables of one kind have the same schema, whatever window they come from.
    """
    reasons: list[str | None] = [None] * len(table)
    for row, reason in zip(table.invalid_rows.tolist(), table.reasons, strict=True):
        reasons[row] = reason
    fields = [_annotated(OFFSET, pa.uint64(), "", "Stream offset of the message's first byte.")]
    arrays: list[pa.Array] = [of_numbers(table.offset)]
    if table.talker is not None:
        fields.append(arrow_field(table.talker.shape).with_name(TALKER))
        arrays.append(_array(table.talker))
    for column in table.columns.values():
        fields.append(arrow_field(column.shape))
        arrays.append(_array(column))
    fields.append(_annotated(INVALID, pa.bool_(), "", "A value breaks its format or range."))
    fields.append(_annotated(REASON, pa.string(), "", "What is wrong."))
    arrays += [of_flags(table.invalid), of_texts(reasons) if len(table.reasons) else pa.nulls(len(table), pa.string())]
    metadata = {b"dialect": table.dialect, b"message": table.message, b"doc": table.doc}
    return pa.Table.from_arrays(arrays, schema=pa.schema(fields, metadata=metadata))


def arrow_field(shape: Shape) -> pa.Field:
    """The Arrow field of a column of this shape."""
    return _annotated(shape.name, _type(shape), shape.unit, shape.doc)


def _annotated(name: str, kind: pa.DataType, unit: str, doc: str) -> pa.Field:
    metadata = {key: text.encode() for key, text in ((b"unit", unit), (b"doc", doc)) if text}
    return pa.field(name, kind, metadata=metadata or None)


def _type(shape: Shape) -> pa.DataType:
    if shape.type == "text":
        return pa.large_string()
    if shape.type == "code":
        return pa.dictionary(pa.from_numpy_dtype(shape.dtype), pa.string())
    if shape.type == "list":
        return pa.large_list(pa.field("item", _type(shape.fields[0])))
    if shape.type == "groups":
        return pa.large_list(pa.field("item", pa.struct([arrow_field(one) for one in shape.fields])))
    if shape.dtype == np.dtype(object):
        return _HUGE
    if shape.type == "date":
        return pa.date32()
    return pa.from_numpy_dtype(shape.dtype)


def _array(column: Column) -> pa.Array:
    shape, mask = column.shape, column.absent
    if column.offsets is not None:
        return _nested(column, column.offsets)
    if shape.type == "code":
        return pa.DictionaryArray.from_arrays(of_numbers(column.values, mask), of_texts(shape.names))
    if shape.type == "date":
        return of_numbers(column.values.astype("datetime64[D]").astype(np.int32), mask, pa.date32())
    if shape.dtype == np.dtype(object):
        return pa.array(column.values.tolist(), _HUGE, mask=mask)
    if shape.dtype == np.dtype(bool):
        return of_flags(column.values, mask)
    return of_numbers(column.values, mask)


def _nested(column: Column, offsets: np.ndarray[Any, Any]) -> pa.Array:
    validity, count = of_flags(~column.absent).buffers()[1], len(column)
    nulls = int(column.absent.sum())
    places = pa.py_buffer(np.ascontiguousarray(offsets))
    kind = _type(column.shape)
    if column.items is None:
        characters = pa.py_buffer(np.ascontiguousarray(column.values))
        return pa.Array.from_buffers(kind, count, [validity, places, characters], nulls)
    items = [_array(item) for item in column.items.values()]
    flat = items[0] if column.shape.type == "list" else pa.StructArray.from_arrays(items, fields=list(kind.value_type))
    return pa.Array.from_buffers(kind, count, [validity, places], nulls, children=[flat])
