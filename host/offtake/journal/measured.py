"""A run's measurements: the frames of sensors' messages as columns of values with their times, batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import FRAME_CODE_BITS
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.stream import TwinFinder
from offtake.journal.bulk.times import timed_tables
from offtake.journal.clock import Clock
from offtake.journal.columns import Column, Payloads, columns_of, width
from offtake.journal.gathered import pieces
from offtake.journal.layouts import LayoutFrom, Layouts

ROWS_AT_ONCE = 65_536
BYTES_AT_ONCE = 2**20
"""So many frames, and bytes of their payloads, are kept before the message with the most of them becomes a batch."""
CELLS_AT_ONCE = 2**22
CELLS_GATHERED = 2**24
"""So many values, in all columns together, a batch, and what :func:`gather` joins, has at the most: a log may describe
hundreds of columns that its short frames do not fill."""
ROWS_GATHERED = 200_000
"""So many rows of one message :func:`gather` keeps at most."""


@dataclass(frozen=True, eq=False)
class Series:
    """Some or all of the frames of one message in one run, in the log's order.

    ``name`` is the message's, a harmless identifier. ``layout`` says whose word the columns are taken on. ``tick_us``
    (int64, shape (n,)) is the time of each in microseconds since power-up. ``frames`` is how many frames the rows stand
    for: more than n only where :func:`gather` thinned them.
    """

    run: int
    code: int
    name: str
    layout: LayoutFrom
    tick_us: NDArray[np.int64]
    columns: tuple[Column, ...]
    frames: int

    def column(self, name: str) -> Column | None:
        """The column of this name, if there is one."""
        return next((column for column in self.columns if column.name == name), None)


def read_batches(
    tables: Iterable[FrameTable], run: int, layouts: Layouts, clock: Clock | None = None
) -> Iterator[Series]:
    """Yield the measurements in ``tables``, which hold all frames of run number ``run`` in order, in batches of one
    message each.

    Messages without a layout (see :meth:`Layouts.of`) are passed over, and so are the logger's own. A frame that the
    log holds twice, because the card refused a block that it had in truth taken, comes once. Memory does not grow with
    the log: no batch has more than :data:`ROWS_AT_ONCE` rows or :data:`CELLS_AT_ONCE` values. Where ``tables`` begin
    inside the run, ``clock`` is one that knows the frame before them.
    """
    rows_max = np.array([_rows_max(run, code, layouts) for code in range(1 << FRAME_CODE_BITS)], dtype=np.int64)
    waiting = _Waiting(run, layouts, rows_max)
    twins = TwinFinder()
    for table, tick_us in timed_tables(tables, clock):
        measured = np.flatnonzero(rows_max[table.code] > 0)
        if measured.size:
            new = ~twins.repeats(table, measured)
            yield from waiting.add(table, measured[new], tick_us)
    yield from waiting.end()


def _rows_max(run: int, code: int, layouts: Layouts) -> int:
    """How many rows a batch of message ``code`` may have; 0 where it is no measurement."""
    found = layouts.of(run, code) if layouts.is_measurement(run, code) else None
    return 0 if found is None else max(1, CELLS_AT_ONCE // max(1, width(found.message)))


class _Waiting:
    """Frames of measurements that are not many enough yet."""

    def __init__(self, run: int, layouts: Layouts, rows_max: NDArray[np.int64]) -> None:
        self._run = run
        self._layouts = layouts
        self._rows_max = rows_max
        self._pending: dict[int, _Pending] = {}
        self._rows = self._size = 0

    def add(self, table: FrameTable, rows: NDArray[np.int64], tick_us: NDArray[np.int64]) -> Iterator[Series]:
        """Take in some of a table's frames; ``tick_us`` are the times of all of them."""
        while rows.size:
            count = self._room(table, rows)
            taken, rows = rows[:count], rows[count:]
            codes = table.code[taken]
            for code in np.flatnonzero(np.bincount(codes)).tolist():
                chosen = taken[codes == code]
                self._pending.setdefault(code, _Pending()).add(table, chosen, tick_us[chosen])
            self._rows += len(taken)
            self._size += int(table.payload_size[taken].sum(dtype=np.int64))
            yield from self._full()

    def _room(self, table: FrameTable, rows: NDArray[np.int64]) -> int:
        """How many of ``rows`` there is room for, until a batch is full."""
        sizes = np.cumsum(table.payload_size[rows], dtype=np.int64)
        count = min(ROWS_AT_ONCE - self._rows, int(sizes.searchsorted(BYTES_AT_ONCE - self._size)) + 1)
        codes = table.code[rows]
        for code in np.flatnonzero(np.bincount(codes)).tolist():
            pending = self._pending.get(code)
            left = int(self._rows_max[code]) - (pending.rows if pending else 0)
            if left <= len(rows):
                places = np.flatnonzero(codes == code)
                count = min(count, int(places[left - 1]) + 1 if left <= len(places) else count)
        return min(count, len(rows))

    def _full(self) -> Iterator[Series]:
        for code in [code for code, one in self._pending.items() if one.rows >= self._rows_max[code]]:
            yield self._taken(code)
        if self._rows >= ROWS_AT_ONCE or self._size >= BYTES_AT_ONCE:
            yield self._taken(max(self._pending, key=lambda code: self._pending[code].weight))

    def end(self) -> Iterator[Series]:
        """What is left, by code."""
        for code in sorted(self._pending):
            yield self._taken(code)

    def _taken(self, code: int) -> Series:
        one = self._pending.pop(code)
        self._rows -= one.rows
        self._size -= one.size
        found = self._layouts.of(self._run, code)
        assert found is not None
        ticks = np.concatenate(one.ticks)
        columns = columns_of(found.message, one.payloads())
        return Series(self._run, code, found.name, found.origin, ticks, columns, len(ticks))


@dataclass
class _Pending:
    """Frames of one message: times, payloads one after the other, and their sizes, as they came."""

    ticks: list[NDArray[np.int64]] = field(default_factory=list)
    data: list[bytes] = field(default_factory=list)
    sizes: list[NDArray[np.int64]] = field(default_factory=list)
    rows: int = 0
    size: int = 0

    @property
    def weight(self) -> tuple[int, int]:
        return self.size + self.rows, self.rows

    def add(self, table: FrameTable, rows: NDArray[np.int64], tick_us: NDArray[np.int64]) -> None:
        sizes = table.payload_size[rows].astype(np.int64)
        self.ticks.append(tick_us)
        self.data.append(pieces(table.data, table.payload_at[rows], sizes))
        self.sizes.append(sizes)
        self.rows += len(rows)
        self.size += int(sizes.sum())

    def payloads(self) -> Payloads:
        sizes = np.concatenate(self.sizes)
        return Payloads(b"".join(self.data), np.cumsum(sizes) - sizes, sizes)


def gather(batches: Iterable[Series], rows_max: int = ROWS_GATHERED) -> tuple[Series, ...]:
    """Join one run's ``batches`` to a series for each message, by code, for pictures.

    Memory is bounded: where a message has more than ``rows_max`` rows or :data:`CELLS_GATHERED` values, only those are
    kept in which some numeric column has its least or greatest value among its neighbours, and the first of every few;
    ``frames`` still counts all.
    """
    found: dict[int, list[Series]] = {}
    for batch in batches:
        parts = found.setdefault(batch.code, [])
        parts.append(batch)
        most = min(rows_max, CELLS_GATHERED // max(1, len(batch.columns)))
        if sum(len(one.tick_us) for one in parts) > most:
            found[batch.code] = [_thinned(_joined(parts), most // 2)]
    return tuple(_joined(parts) for _, parts in sorted(found.items()))


def _joined(parts: Sequence[Series]) -> Series:
    """Batches of one message in one run have the same columns."""
    if len(parts) == 1:
        return parts[0]
    columns = tuple(
        replace(
            first,
            values=np.concatenate([part.columns[index].values for part in parts]),
            present=np.concatenate([part.columns[index].present for part in parts]),
        )
        for index, first in enumerate(parts[0].columns)
    )
    ticks = np.concatenate([part.tick_us for part in parts])
    return replace(parts[0], tick_us=ticks, columns=columns, frames=sum(part.frames for part in parts))


def _thinned(series: Series, rows_max: int) -> Series:
    """At most about ``rows_max`` rows, with the extremes of every numeric column."""
    numeric = [column for column in series.columns if column.numeric or column.kind == "word"]
    kept_of_each = 1 + 2 * len(numeric)
    buckets = max(1, rows_max // kept_of_each)
    edges = np.unique(np.linspace(0, len(series.tick_us), buckets, endpoint=False).astype(np.int64))
    kept = np.zeros(len(series.tick_us), dtype=np.bool_)
    kept[edges] = True
    for column in numeric:
        values = column.values.astype(np.float64)
        for sign, reduce in ((np.inf, np.minimum), (-np.inf, np.maximum)):
            shown = np.where(column.present, values, sign)
            best = np.repeat(reduce.reduceat(shown, edges), np.diff(np.append(edges, len(shown))))
            hit = np.flatnonzero((shown == best) & column.present)
            # One of each bucket is enough.
            first = np.unique(np.searchsorted(edges, hit, side="right"), return_index=True)[1]
            kept[hit[first]] = True
    rows = np.flatnonzero(kept)
    columns = tuple(column.taken(rows) for column in series.columns)
    return replace(series, tick_us=series.tick_us[rows], columns=columns)
