"""A stream of any length, window by window, in memory that does not grow with it."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from offtake.dialects.bulk.account import Account
from offtake.dialects.bulk.buffer import Bools, Buffer, Bytes
from offtake.dialects.bulk.decode import ColumnDecoder, Places, Tables
from offtake.dialects.bulk.index import Finder, MessageIndex
from offtake.dialects.message import DecodeCounts, Fault
from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError


@dataclass(frozen=True)
class Window:
    """What one window completed: an index of its messages, a table of each kind, where in the index its rows are."""

    index: MessageIndex
    tables: Tables
    places: Places

    @property
    def decoded(self) -> Bools:
        """Which messages of the index are of a known kind and not invalid, shape (len(index),)."""
        decoded: Bools = self.index.message >= 0
        for key, table in self.tables.items():
            decoded[self.places[key][table.invalid_rows]] = False
        return decoded


class BulkDecoder:
    """Decode a stream in windows, best of one to a few MiB each; how it is cut changes nothing but the speed.

    Feed it bytes with :meth:`window`, then call :meth:`finish`. What may be the beginning of a message is kept from one
    window to the next: at most the longest message of the dialects. With ``kinds``, keys of
    :data:`~offtake.dialects.bulk.decode.Tables`, only tables of these are made. When ``counting``, ``counts`` are those
    of the streaming decoder. Raises :class:`~offtake.errors.UsageError` without a dialect, when two have the same name,
    and when only some ``kinds`` are to be counted.
    """

    def __init__(
        self,
        dialects: Sequence[AnyDialect],
        kinds: Collection[tuple[str, str]] | None = None,
        *,
        counting: bool = False,
    ) -> None:
        if counting and kinds is not None:
            raise UsageError("counts of some kinds only", expected="tables of all kinds where messages are counted")
        self._account = Account(dialects) if counting else None
        self._finder = Finder(dialects)
        self._decoder = ColumnDecoder(dialects, kinds)
        self._kept = b""
        self._kept_offset = 0
        self._breaks: list[int] = []

    @property
    def counts(self) -> DecodeCounts:
        """What was seen so far. Raises :class:`~offtake.errors.UsageError` when nothing is counted."""
        if self._account is None:
            raise UsageError("a decoder that does not count", expected="counting=True")
        return self._account.counts

    @property
    def faults(self) -> Sequence[Fault]:
        """The first faults, with their offsets; raises as :attr:`counts`."""
        if self._account is None:
            raise UsageError("a decoder that does not count", expected="counting=True")
        return self._account.faults

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
        buffer = Buffer(data, self._kept)
        if self._account is not None:
            self._account.counts.bytes_fed += buffer.size - len(self._kept)
        return self._decode(buffer, last=False)

    def finish(self) -> Window:
        """Say that the stream ends here, and return whole messages that had waited behind something unfinished."""
        return self._decode(Buffer(self._kept), last=True)

    def _decode(self, buffer: Buffer, *, last: bool) -> Window:
        lost = np.sort(np.array(self._breaks, np.int64))
        index, stop = self._finder.find(buffer, self._kept_offset, lost, last=last)
        tables, places = self._decoder.decode(buffer, index)
        if self._account is not None:
            lost = lost[lost > self._kept_offset] - self._kept_offset
            self._account.add(buffer, index, list(tables.values()), stop, lost, last=last)
        self._kept = buffer.cut(stop, buffer.size)
        self._kept_offset += stop
        self._breaks = [place for place in self._breaks if place >= self._kept_offset]
        return Window(index, tables, places)
