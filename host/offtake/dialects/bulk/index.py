"""Where the messages of a stream lie: the same ones that the streaming decoder finds, all at once.

Whether the bytes at some place are a message depends on those bytes alone, so every candidate is checked for itself,
vectorised. Then the streaming decoder's rule is applied to those that are right: the first one is taken and what
begins inside it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from offtake.dialects.bulk.buffer import Bools, Buffer, Bytes, Ints
from offtake.dialects.bulk.found import UNKNOWN
from offtake.dialects.bulk.scan_binary import BinaryScanner
from offtake.dialects.bulk.scan_sentences import SentenceScanner
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.errors import UsageError


@dataclass(frozen=True)
class MessageIndex:
    """Messages with a right check, in stream order; arrays of shape (n,).

    ``offset`` (u64) is the stream offset of each one's first byte, ``length`` (u32) its bytes without line end,
    ``dialect`` (i16) its place in ``dialects``, ``message`` (i16) the place of its kind in that dialect's table of
    sentences or messages, -1 for a kind the dialect does not know. ``base`` is the stream offset of the data's first
    byte.
    """

    dialects: tuple[str, ...]
    base: int
    offset: NDArray[np.uint64]
    length: NDArray[np.uint32]
    dialect: NDArray[np.int16]
    message: NDArray[np.int16]

    def __len__(self) -> int:
        return self.offset.size

    @property
    def message_bytes(self) -> int:
        """Bytes of all messages together."""
        return int(self.length.sum(dtype=np.uint64))


def find_messages(
    data: bytes | bytearray | memoryview | Bytes,
    dialects: Sequence[AnyDialect],
    breaks: ArrayLike = (),
    *,
    base: int = 0,
) -> MessageIndex:
    """Find the messages of ``dialects`` in ``data``, which begins at stream offset ``base`` and ends with the stream.

    ``breaks`` are stream offsets where bytes were lost just before: no message is joined over one. The result is what
    :class:`~offtake.dialects.decoder.StreamDecoder` finds when it is told of the losses. Memory grows with ``data``;
    see :class:`~offtake.dialects.bulk.window.BulkDecoder` for long streams. Raises
    :class:`~offtake.errors.UsageError` without a dialect and when two have the same name.
    """
    return Finder(dialects).find(Buffer(data), base, breaks, last=True)[0]


class Finder:
    """Finds messages in one buffer after another."""

    def __init__(self, dialects: Sequence[AnyDialect]) -> None:
        self.names = tuple(dialect.name for dialect in dialects)
        if not self.names or len(set(self.names)) != len(self.names):
            what = f"dialects {', '.join(self.names) or 'none'}"
            raise UsageError(what, expected="at least one, each with its own name")
        self._scanners = [
            BinaryScanner(one) if isinstance(one, BinaryDialect) else SentenceScanner(one) for one in dialects
        ]

    def find(self, buffer: Buffer, base: int, breaks: ArrayLike, *, last: bool) -> tuple[MessageIndex, int]:
        """The messages of ``buffer``, and where in it the bytes begin that may still become part of a message.

        When ``last``, nothing can: then that is the buffer's end.
        """
        lost = np.sort(np.asarray(breaks, np.int64).reshape(-1)) - base
        lost = lost[(lost > 0) & (lost <= buffer.size)]
        candidates = self._candidates(buffer)
        candidates = candidates.chosen(_unbroken(candidates.starts, candidates.ends, lost))
        stop = buffer.size
        taken = candidates.chosen(_first_come(candidates.starts, candidates.ends))
        if not last:
            stop = self._stop(buffer, taken, lost)
            taken = taken.chosen(taken.starts < stop)
        return taken.index(self.names, base), stop

    def _candidates(self, buffer: Buffer) -> _Candidates:
        found = [scanner.find(buffer) for scanner in self._scanners]
        starts = np.concatenate([one.starts for one in found])
        messages = np.concatenate([one.messages for one in found])
        dialects = np.repeat(np.arange(len(found)), [one.starts.size for one in found])
        ends = np.concatenate([one.ends for one in found])
        every = _Candidates(starts, ends, dialects, messages)
        if sum(one.starts.size > 0 for one in found) <= 1:
            return every
        # Of several at one place the one that its dialect knows comes first, then that of the dialect named first.
        return every.chosen(np.lexsort((dialects, messages == UNKNOWN, starts)))

    def _stop(self, buffer: Buffer, taken: _Candidates, lost: Ints) -> int:
        unfinished = np.concatenate([scanner.unfinished(buffer) for scanner in self._scanners])
        # Whatever begins before a loss stays unfinished; what begins inside a taken message is that one's payload.
        unfinished = unfinished[unfinished >= lost.max(initial=0)]
        before = np.searchsorted(taken.starts, unfinished, side="left")
        reach = np.concatenate([[0], taken.ends])[before]
        return int(unfinished[reach <= unfinished].min(initial=buffer.size))


@dataclass(frozen=True)
class _Candidates:
    starts: Ints
    ends: Ints
    dialects: Ints
    messages: Ints

    def chosen(self, which: Ints | Bools) -> _Candidates:
        # Most often there is nothing to leave out.
        if which.dtype == np.bool_ and which.all():
            return self
        return _Candidates(self.starts[which], self.ends[which], self.dialects[which], self.messages[which])

    def index(self, names: tuple[str, ...], base: int) -> MessageIndex:
        return MessageIndex(
            dialects=names,
            base=base,
            offset=(self.starts + base).astype(np.uint64),
            length=(self.ends - self.starts).astype(np.uint32),
            dialect=self.dialects.astype(np.int16),
            message=self.messages.astype(np.int16),
        )


def _unbroken(starts: Ints, ends: Ints, lost: Ints) -> Bools:
    """Whether no loss lies behind a candidate's first byte and before its end."""
    unbroken: Bools = np.searchsorted(lost, starts, side="right") == np.searchsorted(lost, ends, side="left")
    return unbroken


def _first_come(starts: Ints, ends: Ints) -> Bools:
    """Which candidates a scan from the left takes, each time going on behind the one it took."""
    taken = np.ones(starts.size, np.bool_)
    if (starts[1:] >= ends[:-1]).all():
        return taken
    reach = 0
    for index, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        if start >= reach:
            reach = end
        else:
            taken[index] = False
    return taken
