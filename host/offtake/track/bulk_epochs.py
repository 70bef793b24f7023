"""From a run's stream to its epochs, many at once: the same as decoding it and grouping its messages one by one.

Windows of the stream become tables of messages (:class:`WindowDecoder`), tables become epochs
(:class:`EpochGrouper`). Where epochs begin is worked out for a whole window and checked
(:mod:`offtake.track.bulk.cut`); those that are beyond doubt are merged together (:mod:`offtake.track.bulk.merge`), and
the messages between them go one by one through :class:`~offtake.track.epochs.EpochGrouping`, which also carries the
state from one window to the next.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from offtake.dialects.bulk.chunks import Chunks, halves, joined
from offtake.dialects.bulk.window import BulkDecoder, Window
from offtake.dialects.message import DecodeCounts, Fault
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.track.bulk.batch import EpochBatch, plain_epochs, woven
from offtake.track.bulk.kinds import kinds_of
from offtake.track.bulk.merge import Merger
from offtake.track.bulk.steps import steps_of
from offtake.track.bulk.times import ChunkClock, Times
from offtake.track.bulk.walk import Walk
from offtake.track.datum import DatumWatch
from offtake.track.epochs import EPOCH_PAUSE_US, EpochGrouping

AT_ONCE = 2 << 20
"""Bytes of the stream that are worth a window: each costs some thousand calls of NumPy, whatever there is in it."""

MESSAGES_AT_ONCE = 128 << 10
"""Messages that a window may have: of short ones it is made smaller, as they take more memory than their bytes."""

__all__ = ["DecodedWindow", "EpochBatch", "EpochGrouper", "WindowDecoder"]


@dataclass(frozen=True)
class DecodedWindow:
    """The messages of a window as tables, and when each decoded one of its index came; it can be pickled."""

    window: Window
    times: Times


class WindowDecoder:
    """Decode the stream of one run, sent at ``baud``, window by window, to tables of ``dialects``.

    ``counts`` are those of :class:`~offtake.dialects.decoder.StreamDecoder`. Raises
    :class:`~offtake.errors.UsageError` for a speed that is not positive, without a dialect, and when two have the same
    name.
    """

    def __init__(self, dialects: Sequence[AnyDialect], baud: int) -> None:
        self._decoder = BulkDecoder(dialects, counting=True)
        self._clock = ChunkClock(baud)

    @property
    def counts(self) -> DecodeCounts:
        """What was seen so far."""
        return self._decoder.counts

    @property
    def faults(self) -> Sequence[Fault]:
        """The first faults, with their offsets."""
        return self._decoder.faults

    def window(self, chunks: Chunks) -> DecodedWindow:
        """Take the next bytes of the stream."""
        self._clock.add(chunks)
        return self._decoded(self._decoder.window(chunks.data, chunks.chunk_offset[chunks.chunk_lost]))

    def finish(self) -> DecodedWindow:
        """Say that the stream ends here."""
        return self._decoded(self._decoder.finish())

    def _decoded(self, window: Window) -> DecodedWindow:
        offset = window.index.offset[window.decoded].astype(np.int64)
        decoded = DecodedWindow(window, self._clock.times(offset))
        self._clock.fold(self._decoder.pending_offset)
        return decoded


class EpochGrouper:
    """Epochs of run number ``run``, sent at ``baud``, in the messages of ``dialects``.

    Feed it the windows of the stream with :meth:`window`, then call :meth:`finish`; how the stream is cut changes
    nothing (small windows are taken together until there are ``at_once`` bytes). The epochs are those of
    :func:`~offtake.track.epochs.group_epochs`. ``plain`` counts the epochs that were merged together, ``single`` those
    that were put together one by one. Of a long stream a thread decodes one window while the epochs of the one before
    are put together; it ends with :meth:`finish`, or with :meth:`close` where that is not reached. ``counts`` and
    ``notes`` are those of the whole stream when it is finished. Raises :class:`~offtake.errors.UsageError` as
    :class:`WindowDecoder`.
    """

    def __init__(
        self,
        dialects: Sequence[AnyDialect],
        run: int,
        baud: int,
        pause_us: int = EPOCH_PAUSE_US,
        *,
        at_once: int = AT_ONCE,
    ) -> None:
        self._run = run
        self._at_once = at_once
        self._held: list[Chunks] = []
        self._thread: ThreadPoolExecutor | None = None
        # The window that is being decoded.
        self._ahead: Future[DecodedWindow] | None = None
        # Every message has one of these bytes.
        self._marks = {
            int(one.framing.sync[:2], 16) if isinstance(one, BinaryDialect) else ord(one.framing.check_mark)
            for one in dialects
        }
        self._pause_us = pause_us
        self._decoder = WindowDecoder(dialects, baud)
        self._kinds = kinds_of(dialects)
        self._merger = Merger(self._kinds)
        self._grouping = EpochGrouping(run, pause_us)
        self._datum = DatumWatch()
        self.plain = 0
        self.single = 0

    @property
    def counts(self) -> DecodeCounts:
        """What the decoder saw."""
        return self._decoder.counts

    @property
    def faults(self) -> Sequence[Fault]:
        """The first faults of the stream, with their offsets."""
        return self._decoder.faults

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of the positions must know, as :class:`~offtake.track.datum.DatumWatch` says it."""
        return self._datum.notes

    def window(self, chunks: Chunks) -> EpochBatch:
        """Take the next bytes of the stream and return epochs that are complete; bytes may wait for some more."""
        return EpochBatch.concat(list(self.batches(chunks)) or [EpochBatch.of((), self._run)])

    def batches(self, chunks: Chunks) -> Iterator[EpochBatch]:
        """As :meth:`window`, some epochs at a time: a window full of the shortest messages has a great many."""
        self._held.append(chunks)
        if sum(len(one.data) for one in self._held) < self._at_once:
            return
        for part in self._held_parts():
            decoded = self._decoded_ahead(part)
            if decoded is not None:
                yield self.take(decoded)

    def _decoded_ahead(self, following: Chunks | None) -> DecodedWindow | None:
        """The window that was decoded ahead, if one was; the ``following`` one is from now on."""
        before, self._ahead = self._ahead, None if following is None else self._begin(following)
        try:
            return None if before is None else before.result()
        finally:
            # It keeps the error that decoding met, and the error this frame.
            del before

    def _begin(self, chunks: Chunks) -> Future[DecodedWindow]:
        """Have a window decoded while the caller goes on: most of the time goes into loops without Python's lock."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, "decode")
        return self._thread.submit(self._decoder.window, chunks)

    def _held_parts(self) -> Iterator[Chunks]:
        waiting = [joined(self._held)] if self._held else []
        self._held = []
        while waiting:
            chunks = waiting.pop()
            if chunks.chunk_offset.size > 1 and self._messages_at_most(chunks.data) > MESSAGES_AT_ONCE:
                waiting += reversed(list(halves(chunks)))
            else:
                yield chunks

    def _messages_at_most(self, data: bytes) -> int:
        values = np.frombuffer(data, np.uint8)
        return sum(int(np.count_nonzero(values == mark)) for mark in self._marks)

    def finish(self, decoded: DecodedWindow | None = None) -> EpochBatch:
        """Say that the stream ends here, and return the epochs that were still open; ``decoded`` is what the decoder
        had to say at the end, if it is not this one's own."""
        ahead = self._decoded_ahead(None)
        batches = [] if ahead is None else [self.take(ahead)]
        # A stream of less than a window has no thread.
        batches += [self.take(self._decoder.window(part)) for part in self._held_parts()]
        self.close()
        batches.append(self.take(self._decoder.finish() if decoded is None else decoded))
        batches.append(EpochBatch.of(list(self._grouping.finish()), self._run))
        self.single += len(batches[-1].fixes)
        return EpochBatch.concat(batches)

    def close(self) -> None:
        """End the thread, if there is one; what it decodes is given up."""
        thread, self._thread, self._ahead = self._thread, None, None
        if thread is not None:
            thread.shutdown(cancel_futures=True)

    def take(self, decoded: DecodedWindow) -> EpochBatch:
        """Take the next window's messages, as a :class:`WindowDecoder` of the same dialects made them."""
        tables = decoded.window.tables
        self._datum.see_tables(tables.values())
        steps = steps_of(decoded.window, self._kinds)
        walk = Walk(steps, decoded.times, tables, self._kinds, self._grouping, self._run, self._pause_us)
        batch = walk.singles.batch()
        self.single += len(batch.fixes)
        if not walk.stretches:
            return batch
        plain = plain_epochs(self._run, steps, decoded.times, tables, walk.stretches, self._merger)
        self.plain += len(plain.fixes)
        return woven(plain, batch, walk.order())
