"""Tables of decoded messages, and how the rows a kernel is not sure of are filled in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.bulk.columns import UNSOUND, Column, Shape, build, scattered
from offtake.dialects.message import FieldValue, Message

# Messages are large next to their columns: few are held at a time, however many a hostile stream has.
_AT_ONCE = 2048


@dataclass(frozen=True)
class MessageTable:
    """All messages of one kind, in stream order: one row each.

    ``offset`` (u64, shape (n,)) is the stream offset of each one's first byte. ``talker`` is a column of codes, of text
    dialects only. ``columns`` has one column for each field of the dialect, in its order. ``invalid_rows`` (rising)
    lists the rows that have a value that breaks its format or range, ``reasons`` says of each what was wrong.
    """

    dialect: str
    message: str
    doc: str
    offset: NDArray[np.uint64]
    talker: Column | None
    columns: Mapping[str, Column]
    invalid_rows: Ints
    reasons: tuple[str, ...]

    def __len__(self) -> int:
        return self.offset.size

    @property
    def invalid(self) -> Bools:
        """Which rows are invalid, shape (n,); their sound values stand in the columns all the same."""
        flags = np.zeros(len(self), np.bool_)
        flags[self.invalid_rows] = True
        return flags

    def row(self, row: int) -> dict[str, FieldValue]:
        """The values of one message by name, as the streaming decoder has them: what is unsound is left out."""
        columns = self.columns.items()
        return {name: column.value(row) for name, column in columns if row not in column.unsound}


@dataclass(frozen=True)
class Decoded:
    """Columns of n messages, and which of them are invalid and why."""

    columns: Mapping[str, Column]
    invalid_rows: Ints
    reasons: tuple[str, ...]


def complete(
    shapes: Sequence[Shape],
    columns: Mapping[str, Column],
    certain: Ints,
    doubtful: Ints,
    judge: Callable[[int], Message],
) -> Decoded:
    """Columns of ``certain.size + doubtful.size`` messages.

    Row ``certain[i]`` is row i of ``columns``; each of ``doubtful`` (rising) is decoded by ``judge``, given its row.
    """
    if not doubtful.size:
        return Decoded(columns, np.zeros(0, np.int64), ())
    parts = {shape.name: [(certain, columns[shape.name])] for shape in shapes}
    invalid: list[int] = []
    reasons: list[str] = []
    for at in range(0, doubtful.size, _AT_ONCE):
        rows = doubtful[at : at + _AT_ONCE]
        messages = [judge(row) for row in rows.tolist()]
        for shape in shapes:
            values = [message.values.get(shape.name, UNSOUND) for message in messages]
            parts[shape.name].append((rows, build(shape, values)))
        invalid += [row for row, message in zip(rows.tolist(), messages, strict=True) if message.state == "invalid"]
        reasons += [message.reason for message in messages if message.state == "invalid"]
    size = certain.size + doubtful.size
    merged = {name: scattered(columns_of, size) for name, columns_of in parts.items()}
    return Decoded(merged, np.array(invalid, np.int64), tuple(reasons))
