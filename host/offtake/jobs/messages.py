"""A run's decoded messages as tables, each row with the tick and the UTC at which its first byte came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.dialects.bulk import BulkDecoder
from offtake.dialects.bulk.arrow import to_arrow
from offtake.dialects.bulk.window import Window
from offtake.dialects.stream import BITS_PER_BYTE, StreamChunk
from offtake.dialects.tables import AnyDialect
from offtake.track.timeline import TimeLine

WINDOW_BYTES = 2**20
_OFFSET = "_offset"


def message_tables(
    chunks: Iterable[StreamChunk], dialects: Sequence[AnyDialect], baud: int, timeline: TimeLine | None
) -> Iterator[tuple[str, str, pa.Table]]:
    """Yield (dialect, message, rows) window by window. Columns beside the message's own: ``_tick_us`` since power-up,
    ``_utc`` and ``_utc_uncertainty_s`` (95 %; null in a run without a date)."""
    decoder = BulkDecoder(dialects)
    clock = _Clock(baud, timeline)
    data = bytearray()
    breaks: list[int] = []
    total = 0
    for chunk in chunks:
        if chunk.after_loss:
            breaks.append(total)
        clock.add(total, chunk.tick_us)
        data += chunk.data
        total += len(chunk.data)
        if len(data) >= WINDOW_BYTES:
            yield from _stamped(decoder.window(bytes(data), breaks), clock)
            data.clear()
            breaks.clear()
            clock.forget(decoder.pending_offset)
    yield from _stamped(decoder.window(bytes(data), breaks), clock)
    yield from _stamped(decoder.finish(), clock)


def _stamped(window: Window, clock: _Clock) -> Iterator[tuple[str, str, pa.Table]]:
    for (dialect, message), rows in window.tables.items():
        table = to_arrow(rows)
        if table.num_rows:
            yield dialect, message, clock.stamp(table)


class _Clock:
    """Ticks of stream offsets, by the chunks they lie in."""

    def __init__(self, baud: int, timeline: TimeLine | None) -> None:
        self._byte_us = BITS_PER_BYTE * 1e6 / baud
        self._timeline = timeline
        self._starts: list[int] = []
        self._ticks: list[int] = []

    def add(self, offset: int, tick_us: int) -> None:
        """A chunk begins at ``offset``, at ``tick_us``."""
        self._starts.append(offset)
        self._ticks.append(tick_us)

    def forget(self, offset: int) -> None:
        """No offset before this one is asked for any more."""
        keep = max(0, int(np.searchsorted(self._starts, offset, side="right")) - 1)
        del self._starts[:keep], self._ticks[:keep]

    def stamp(self, table: pa.Table) -> pa.Table:
        """``table`` with its times behind the offsets."""
        offsets = table.column(_OFFSET).to_numpy().astype(np.int64)
        starts, ticks = np.array(self._starts, np.int64), np.array(self._ticks, np.int64)
        place = np.searchsorted(starts, offsets, side="right") - 1
        tick_us = ticks[place] + np.rint((offsets - starts[place]) * self._byte_us).astype(np.int64)
        line = self._timeline if self._timeline is not None else TimeLine()
        utc, uncertainty = line.stamp_many(tick_us)
        known = np.where(np.isinf(uncertainty), np.nan, uncertainty)
        columns = (
            ("_tick_us", pa.array(tick_us), "us", "When the message's first byte came, since power-up."),
            ("_utc", pa.array(utc, pa.timestamp("us")).cast(pa.timestamp("us", "UTC")), "UTC", "The same in UTC."),
            ("_utc_uncertainty_s", pa.array(known, from_pandas=True), "s", "How far that may be off (95 %)."),
        )  # fmt: skip
        for number, (name, values, unit, doc) in enumerate(columns, start=1):
            field = pa.field(name, values.type, metadata={"unit": unit, "doc": doc})
            table = table.add_column(number, field, values)
        return table
