"""Lists of different lengths as two arrays: where each begins, and all their members in a row."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

Indices = NDArray[np.int64]
Flags = NDArray[np.bool_]

PIECE = 1024
"""Rows that are made into objects at once while columns are gone through one by one."""


class EqualAsSequence:
    """Columns that are equal to any sequence of the same members in the same order, and so have no hash."""

    def __eq__(self, other: object) -> bool:
        if not isinstance(self, Sequence) or not isinstance(other, Sequence) or isinstance(other, str | bytes):
            return NotImplemented
        return len(self) == len(other) and all(one == two for one, two in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]


def starts_of(lengths: Sequence[int] | Indices) -> Indices:
    """Where lists of these ``lengths`` begin, shape (n+1,): list i's members are those from [i] to [i+1]."""
    starts = np.zeros(len(lengths) + 1, dtype=np.int64)
    np.cumsum(np.asarray(lengths, dtype=np.int64), out=starts[1:])
    return starts


def taken_lists(starts: Indices, rows: Indices) -> tuple[Indices, Indices]:
    """The lists ``rows`` by themselves: where they begin, and the places of their members in the old row."""
    lengths = starts[rows + 1] - starts[rows]
    begin = starts_of(lengths)
    places = np.repeat(starts[rows] - begin[:-1], lengths) + np.arange(begin[-1], dtype=np.int64)
    return begin, places


def joined_starts(starts: Sequence[Indices]) -> Indices:
    """Where the lists of several such arrays begin when their members lie one after another."""
    return starts_of(np.concatenate([np.diff(one) for one in starts]) if starts else [])


def rows_of(rows: Indices | Flags | Sequence[int], length: int) -> Indices:
    """Row numbers of a choice given as numbers (negative from the end) or as one flag for each row."""
    chosen = np.asarray(rows)
    if chosen.dtype == np.bool_:
        return np.flatnonzero(chosen).astype(np.int64)
    numbers = chosen.astype(np.int64)
    return np.where(numbers < 0, numbers + length, numbers)


def pieces(length: int) -> Iterator[slice]:
    """Slices that go through ``length`` rows, some at a time."""
    for start in range(0, length, PIECE):
        yield slice(start, min(length, start + PIECE))
