"""Which datum the receiver says its positions are on."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from offtake.dialects.bulk.keys import distinct_rows
from offtake.dialects.bulk.messages import MessageTable
from offtake.dialects.stream import TimedMessage

WGS84 = "W84"
_OFFSETS = ("latitude_offset_min", "longitude_offset_min", "altitude_offset_m")
_KEPT = 4
# A name longer than this is looked at by itself.
_NAME_MAX = 64


class DatumWatch:
    """Looks through messages as they pass for a datum other than WGS84."""

    def __init__(self) -> None:
        self._others: list[str] = []

    def watch(self, messages: Iterable[TimedMessage]) -> Iterator[TimedMessage]:
        """Yield ``messages`` as they are."""
        for timed in messages:
            if timed.message.state == "decoded" and "datum" in timed.message.values:
                self._see(timed)
            yield timed

    def _see(self, timed: TimedMessage) -> None:
        self._see_values(timed.message.values)

    def _see_values(self, values: Mapping[str, Any]) -> None:
        datum = values["datum"]
        shifted = any(isinstance(values.get(name), int | float) and values[name] != 0 for name in _OFFSETS)
        named = isinstance(datum, str) and datum != WGS84
        if (named or shifted) and str(datum) not in self._others and len(self._others) < _KEPT:
            self._others.append(str(datum))

    def see_tables(self, tables: Iterable[MessageTable]) -> None:
        """Look through the messages of a window, of all kinds and in ``tables``; windows in stream order."""
        seen = {int(table.offset[row]): table.row(row) for table in tables for row in _remarkable(table)}
        for offset in sorted(seen):
            self._see_values(seen[offset])

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the positions must know of it, in words; empty when all is WGS84."""
        if not self._others:
            return ()
        names = ", ".join(self._others)
        said = f"The receiver says that its positions are on another datum than WGS84 ({names})"
        return (f"{said}; they are not converted.",)


def _remarkable(table: MessageTable) -> list[int]:
    """Decoded messages that may name another datum, of those that name the same one the first."""
    datum = table.columns.get("datum")
    if datum is None:
        return []
    rows = np.flatnonzero(~table.invalid)
    lengths = np.diff(datum.offsets) if datum.offsets is not None else np.zeros(len(table), np.int64)
    width = int(lengths.max(initial=0))
    if datum.shape.type != "text" or datum.offsets is None or width > _NAME_MAX:
        return [int(row) for row in rows]
    places = datum.offsets[:-1, np.newaxis] + np.arange(width)
    inside = places < datum.offsets[1:, np.newaxis]
    letters = np.where(inside, np.append(datum.values, np.uint8(0))[np.minimum(places, datum.values.size)], np.uint8(0))
    names = np.concatenate([lengths[:, np.newaxis].astype(np.uint8), letters], axis=1)
    usual = np.zeros(width + 1, np.uint8)
    usual[: len(WGS84) + 1] = np.frombuffer(bytes([len(WGS84)]) + WGS84.encode("ascii"), np.uint8)[: width + 1]
    other = ~datum.absent & (names != usual).any(axis=1)
    for name in _OFFSETS:
        column = table.columns.get(name)
        if column is not None and column.shape.type in ("number", "integer", "boolean"):
            other |= ~column.absent & (column.values != 0)
    rows = rows[other[rows]]
    if not rows.size:
        return []
    first, _, _ = distinct_rows(names[rows])
    return [int(row) for row in rows[first]]
