"""A stream of any length, window by window, in memory that does not grow with it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from offtake.dialects.bulk.buffer import Buffer, Bytes
from offtake.dialects.bulk.decode import ColumnDecoder, Tables
from offtake.dialects.bulk.index import Finder, MessageIndex
from offtake.dialects.tables import AnyDialect


@dataclass(frozen=True)
class Window:
    """What one window completed: an index of its messages, and a table of each kind."""

    index: MessageIndex
    tables: Tables


class BulkDecoder:
    """Decode a stream in windows, best of one to a few MiB each; how it is cut changes nothing but the speed.

    Feed it bytes with :meth:`window`, then call :meth:`finish`. What may be the beginning of a message is kept from one
    window to the next: at most the longest message of the dialects. With ``kinds``, keys of
    :data:`~offtake.dialects.bulk.decode.Tables`, only tables of these are made. Raises
    :class:`~offtake.errors.UsageError` without a dialect and when two have the same name.
    """

    def __init__(self, dialects: Sequence[AnyDialect], kinds: Collection[tuple[str, str]] | None = None) -> None:
        self._finder = Finder(dialects)
        self._decoder = ColumnDecoder(dialects, kinds)
        self._kept = b""
        self._kept_offset = 0
        self._breaks: list[int] = []

    @property
    def pending_offset(self) -> int:
        """Stream offset of the first byte that may still become part of a message."""
        return self._kept_offset

    def window(self, data: bytes | bytearray | memoryview | Bytes, breaks: ArrayLike = ()) -> Window:
        """Take the next bytes of the stream and return what they complete.

        ``breaks`` are stream offsets, in these bytes or behind them, where bytes were lost just before: no message is
        joined over one.
        """
        self._breaks += np.asarray(breaks, np.int64).reshape(-1).tolist()
        return self._decode(self._kept + bytes(data), last=False)

    def finish(self) -> Window:
        """Say that the stream ends here, and return whole messages that had waited behind something unfinished."""
        return self._decode(self._kept, last=True)

    def _decode(self, data: bytes, *, last: bool) -> Window:
        buffer = Buffer(data)
        index, stop = self._finder.find(buffer, self._kept_offset, self._breaks, last=last)
        tables = self._decoder.decode(buffer, index)
        self._kept = data[stop:]
        self._kept_offset += stop
        self._breaks = [place for place in self._breaks if place >= self._kept_offset]
        return Window(index, tables)
