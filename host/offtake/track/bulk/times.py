"""When the messages of a window came: the arithmetic of :func:`~offtake.dialects.stream.decode_stream` for many."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.bulk.chunks import Chunks
from offtake.dialects.stream import BITS_PER_BYTE
from offtake.errors import UsageError


@dataclass(frozen=True)
class Times:
    """Of n messages ``tick_us``, ``quiet_us`` (the longest pause since the message before) and ``after_loss``."""

    tick_us: Ints
    quiet_us: Ints
    after_loss: Bools


class ChunkClock:
    """Knows when each byte came. It keeps the chunks that bytes still to be timed may need: few, however long the
    stream is. Raises :class:`~offtake.errors.UsageError` when ``baud`` is not positive."""

    def __init__(self, baud: int) -> None:
        if baud <= 0:
            raise UsageError(f"a speed of {baud} baud", expected="a positive number")
        self._baud = baud
        self._free_us: int | None = None
        self._offset: Ints = np.zeros(0, np.int64)
        self._tick_us: Ints = np.zeros(0, np.int64)
        # The pause before each chunk, and whether bytes were lost there; used up by the message that comes next.
        self._quiet_us: Ints = np.zeros(0, np.int64)
        self._lost: Bools = np.zeros(0, np.bool_)

    def add(self, chunks: Chunks) -> None:
        """Take the next chunks."""
        begin, tick_us = chunks.chunk_offset, chunks.chunk_tick_us
        if not begin.size:
            return
        lengths = np.diff(np.append(begin, chunks.offset + len(chunks.data)))
        free_us = tick_us + self._byte_time_us(lengths)
        before = np.concatenate([[tick_us[0] if self._free_us is None else self._free_us], free_us[:-1]])
        self._free_us = int(free_us[-1])
        self._offset = np.concatenate([self._offset, begin])
        self._tick_us = np.concatenate([self._tick_us, tick_us])
        self._quiet_us = np.concatenate([self._quiet_us, np.maximum(tick_us - before, 0)])
        self._lost = np.concatenate([self._lost, chunks.chunk_lost])

    def times(self, offset: Ints) -> Times:
        """When the messages at ``offset`` came, which rise; no earlier ones may be asked for afterwards."""
        # How many chunks begin at or before each message: counted from the chunks' side, as there are fewer of them.
        first = np.searchsorted(offset, self._offset, side="left")
        chunk = np.cumsum(np.bincount(first, minlength=offset.size + 1)[: offset.size]) - 1
        tick_us = self._tick_us[chunk] + self._byte_time_us(offset - self._offset[chunk])
        quiet_us = np.zeros(offset.size, np.int64)
        lost = np.zeros(offset.size, np.bool_)
        used = int(np.searchsorted(first, offset.size, side="left"))
        opens = np.flatnonzero(np.diff(first[:used], prepend=-1))
        if opens.size:
            quiet_us[first[opens]] = np.maximum.reduceat(self._quiet_us[:used], opens)
            lost[first[opens]] = np.logical_or.reduceat(self._lost[:used], opens)
            self._quiet_us[:used] = 0
            self._lost[:used] = False
        return Times(tick_us, quiet_us, lost)

    def fold(self, offset: int) -> None:
        """Say that no message before ``offset`` comes any more."""
        last = int(np.searchsorted(self._offset, offset, side="right")) - 1
        if last > 0:
            quiet_us, lost = self._quiet_us[: last + 1].max(), self._lost[: last + 1].any()
            self._offset, self._tick_us = self._offset[last:], self._tick_us[last:]
            self._quiet_us, self._lost = self._quiet_us[last:].copy(), self._lost[last:].copy()
            self._quiet_us[0], self._lost[0] = quiet_us, lost

    def _byte_time_us(self, index: Ints) -> Ints:
        """As :func:`~offtake.dialects.stream.byte_time_us`."""
        return (index * (BITS_PER_BYTE * 1_000_000) + self._baud // 2) // self._baud
