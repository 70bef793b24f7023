"""A run's measurements: the frames of sensors' messages as columns of values with their times, batch by batch."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from offtake.journal.clock import timed_frames
from offtake.journal.columns import Column, Payloads, columns_of, width
from offtake.journal.frames import Frame
from offtake.journal.layouts import LayoutFrom, Layouts
from offtake.journal.twins import Twins

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


def read_batches(frames: Iterable[Frame], run: int, layouts: Layouts) -> Iterator[Series]:
    """Yield the measurements in ``frames``, all those of run number ``run`` in order, in batches of one message each.

    Messages without a layout (see :meth:`Layouts.of`) are passed over, and so are the logger's own. A frame that the
    log holds twice, because the card refused a block that it had in truth taken, comes once. Memory does not grow with
    the log: no batch has more than :data:`ROWS_AT_ONCE` rows or :data:`CELLS_AT_ONCE` values.
    """
    pending: dict[int, _Pending] = {}
    rows_max: dict[int, int] = {}
    twins = Twins()
    rows = size = 0
    for tick_us, frame in timed_frames(frames):
        if frame.code not in rows_max:
            rows_max[frame.code] = _rows_max(run, frame.code, layouts)
        if not rows_max[frame.code] or twins.repeats(frame):
            continue
        one = pending.setdefault(frame.code, _Pending())
        one.add(tick_us, frame.payload)
        rows += 1
        size += len(frame.payload)
        if len(one.ticks) >= rows_max[frame.code]:
            del pending[frame.code]
            rows -= len(one.ticks)
            size -= len(one.payloads.data)
            yield one.series(run, frame.code, layouts)
        if rows >= ROWS_AT_ONCE or size >= BYTES_AT_ONCE:
            code = max(pending, key=lambda one: pending[one].size)
            full = pending.pop(code)
            rows -= len(full.ticks)
            size -= len(full.payloads.data)
            yield full.series(run, code, layouts)
    for code, rest in sorted(pending.items()):
        yield rest.series(run, code, layouts)


def _rows_max(run: int, code: int, layouts: Layouts) -> int:
    """How many rows a batch of message ``code`` may have; 0 where it is no measurement."""
    found = layouts.of(run, code) if layouts.is_measurement(run, code) else None
    return 0 if found is None else max(1, CELLS_AT_ONCE // max(1, width(found.message)))


@dataclass
class _Pending:
    ticks: list[int] = field(default_factory=list)
    payloads: Payloads = field(default_factory=Payloads)

    @property
    def size(self) -> tuple[int, int]:
        return len(self.payloads.data) + len(self.ticks), len(self.ticks)

    def add(self, tick_us: int, payload: bytes) -> None:
        self.ticks.append(tick_us)
        self.payloads.add(payload)

    def series(self, run: int, code: int, layouts: Layouts) -> Series:
        found = layouts.of(run, code)
        assert found is not None
        ticks = np.array(self.ticks, dtype=np.int64)
        columns = columns_of(found.message, self.payloads)
        return Series(run, code, found.name, found.origin, ticks, columns, len(ticks))


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
