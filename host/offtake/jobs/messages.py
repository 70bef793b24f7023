"""A run's decoded messages as tables, each row with the tick and the UTC at which its first byte came."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from numpy.typing import NDArray

from offtake.arrow import of_numbers
from offtake.dialects.bulk import BulkDecoder
from offtake.dialects.bulk.arrow import to_arrow
from offtake.dialects.bulk.window import Window
from offtake.dialects.stream import BITS_PER_BYTE
from offtake.dialects.tables import AnyDialect
from offtake.journal.bulk.stream import StreamWindow
from offtake.track.timeline import TimeLine

BYTES_AT_ONCE = 2**19
"""So much of the stream is decoded at once: all columns of all messages take many times its memory."""
_UTC = pa.timestamp("us", "UTC")


def message_tables(
    windows: Iterable[StreamWindow], dialects: Sequence[AnyDialect], baud: int, timeline: TimeLine | None
) -> Iterator[tuple[str, str, pa.Table]]:
    """Yield (dialect, message, rows) window by window of a run's stream. Columns beside the message's own: ``_tick_us``
    since power-up, ``_utc`` and ``_utc_uncertainty_s`` (95 %; null in a run without a date)."""
    decoder = BulkDecoder(dialects)
    clock = _Clock(baud, timeline)
    for window in windows:
        clock.add(window)
        breaks = window.chunk_offset[window.chunk_lost]
        for first in range(0, len(window.data), BYTES_AT_ONCE):
            yield from _stamped(decoder.window(window.data[first : first + BYTES_AT_ONCE], breaks), clock)
            breaks = breaks[:0]
        clock.forget(decoder.pending_offset)
    yield from _stamped(decoder.finish(), clock)


def _stamped(decoded: Window, clock: _Clock) -> Iterator[tuple[str, str, pa.Table]]:
    for (dialect, message), rows in decoded.tables.items():
        table = to_arrow(rows)
        if table.num_rows:
            yield dialect, message, clock.stamp(table, rows.offset.astype(np.int64))


class _Clock:
    """Ticks of stream offsets, by the chunks they lie in."""

    def __init__(self, baud: int, timeline: TimeLine | None) -> None:
        self._byte_us = BITS_PER_BYTE * 1e6 / baud
        self._line = TimeLine() if timeline is None else timeline
        self._starts = np.zeros(0, np.int64)
        self._ticks = np.zeros(0, np.int64)

    def add(self, window: StreamWindow) -> None:
        """The chunks of ``window`` follow."""
        self._starts = np.concatenate((self._starts, window.chunk_offset))
        self._ticks = np.concatenate((self._ticks, window.chunk_tick_us))

    def forget(self, offset: int) -> None:
        """No offset before this one is asked for any more."""
        keep = max(0, int(np.searchsorted(self._starts, offset, side="right")) - 1)
        self._starts, self._ticks = self._starts[keep:], self._ticks[keep:]

    def stamp(self, table: pa.Table, offsets: NDArray[np.int64]) -> pa.Table:
        """``table``, whose messages begin at these ``offsets`` of the stream, with its times behind them."""
        place = np.searchsorted(self._starts, offsets, side="right") - 1
        into_us = np.rint((offsets - self._starts[place]) * self._byte_us).astype(np.int64)
        tick_us = self._ticks[place] + into_us
        utc, uncertainty = self._line.stamp_many(tick_us)
        columns = (
            ("_tick_us", of_numbers(tick_us), "us", "When the message's first byte came, since power-up."),
            ("_utc", of_numbers(utc.astype(np.int64), np.isnat(utc), _UTC), "UTC", "The same in UTC."),
            ("_utc_uncertainty_s", of_numbers(uncertainty, np.isinf(uncertainty)), "s",
             "How far that may be off (95 %)."),
        )  # fmt: skip
        for number, (name, values, unit, doc) in enumerate(columns, start=1):
            field = pa.field(name, values.type, metadata={"unit": unit, "doc": doc})
            table = table.add_column(number, field, values)
        return table
