"""A run's receiver bytes as a stream of timed chunks, for the decoder and the exports."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain

from offtake.dialects.stream import StreamChunk
from offtake.generated.records import BOARD_TICK_NS, Loss, LossCause, Raw, RawMore, RunStart
from offtake.journal.frames import Frame, without_copies
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage

# A saturated line never pauses: a joined chunk is passed on when it is this long.
_CHUNK_BYTES_MAX = 4096
_TICK_SPAN = 2**32
# Frames staged in the main loop may stand a little before their place; further back is a wrapped tick.
_TICKS_BACK_MAX = 2**24
_LOST_BYTES = (LossCause.RING_FULL, LossCause.OVERRUN, LossCause.SETTINGS, LossCause.CARD)


def run_chunks(journal: Journal, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from the journal's intact blocks; see :func:`chunks_of`."""
    return chunks_of(journal.frames(run))


def salvaged_chunks(salvage: Salvage, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from everything salvaged; on an intact journal the same as ``run_chunks``."""
    return chunks_of(salvage.frames(run))


def chunks_of(frames: Iterable[Frame]) -> Iterator[StreamChunk]:
    """Join one run's frames, in order, to chunks: a raw frame and what continues it are one.

    ``tick_us`` counts from power-up and is unwrapped; a frame whose tick is lost is given that of the byte before it.
    ``after_loss`` marks bytes that the logger counted lost and frames that damage took. Frames that were written
    twice, because the card refused a block it had in truth taken, come once, and so do copies of a block. Unknown
    messages are passed over.
    """
    iterator = without_copies(frames)
    first = next(iterator, None)
    if first is None:
        return
    clock = _Clock(_tick_ns(first))
    twins = _Twins()
    # A run that does not begin with its start has lost its beginning.
    lost = first.code != RunStart.CODE
    open_chunk: tuple[int, bytearray, bool] | None = None
    for frame in chain((first,), iterator):
        lost = lost or (frame.after_damage and frame.code != RunStart.CODE)
        tick_us = clock.microseconds(frame.likely_tick)
        if frame.code == Loss.CODE:
            record = frame.record()[1]
            lost = lost or (isinstance(record, Loss) and record.cause in _LOST_BYTES)
        if frame.code not in (Raw.CODE, RawMore.CODE):
            continue
        data = frame.payload[twins.already_seen(frame) :]
        if not data:
            continue
        if open_chunk and (frame.code == Raw.CODE or lost or len(open_chunk[1]) >= _CHUNK_BYTES_MAX):
            yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])
            open_chunk = None
        if open_chunk is None:
            open_chunk = (tick_us, bytearray(), lost)
            lost = False
        open_chunk[1].extend(data)
    if open_chunk:
        yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])


def _tick_ns(first: Frame) -> int:
    """Length of a tick by the run's own start, or else that of the first board known."""
    record = first.record()[1]
    if isinstance(record, RunStart) and record.tick_ns:
        return record.tick_ns
    return next(iter(BOARD_TICK_NS.values()))


class _Clock:
    """Unwraps 32-bit ticks by their order."""

    def __init__(self, tick_ns: int) -> None:
        self._tick_ns = tick_ns
        self._tick: int | None = None

    def microseconds(self, tick: int | None) -> int:
        """Time since power-up; without a tick, that of the frame before."""
        if self._tick is None:
            self._tick = tick
        elif tick is not None:
            ahead = (tick - self._tick) % _TICK_SPAN
            if ahead >= _TICK_SPAN - _TICKS_BACK_MAX:
                ahead -= _TICK_SPAN
            self._tick = max(0, self._tick + ahead)
        return (self._tick or 0) * self._tick_ns // 1000


class _Twins:
    """Remembers the raw frames of this block and the one before, to tell what is written a second time."""

    def __init__(self) -> None:
        self._number = 0
        self._before: dict[tuple[int, int], bytes] = {}
        self._here: dict[tuple[int, int], bytes] = {}

    def already_seen(self, frame: Frame) -> int:
        """Bytes at the payload's start that the block before held as well, at the same tick."""
        if frame.block_number != self._number:
            self._number, self._before, self._here = frame.block_number, self._here, {}
        if frame.tick is None:
            return 0
        key = (frame.code, frame.tick)
        self._here[key] = frame.payload
        twin = self._before.get(key)
        return len(twin) if twin and frame.payload.startswith(twin) else 0
