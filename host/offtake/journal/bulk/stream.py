"""A run's receiver bytes, a window at a time: one piece of memory, and where in it the chunks begin."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.stream import StreamChunk
from offtake.generated.records import Loss, LossCause, Raw, RawMore, RunStart
from offtake.journal.bulk.arrays import Bools, Ints, ranges
from offtake.journal.bulk.frames import NONE, FrameTable
from offtake.journal.bulk.times import TimedTable, timed_tables
from offtake.journal.clock import Clock
from offtake.journal.codec import decode_payload
from offtake.journal.frames import Frame
from offtake.journal.twins import Twins
from offtake.native import kernels

CHUNK_BYTES_MAX = 4096
"""A saturated line never pauses: a joined chunk ends when it is this long."""
WINDOW_BYTES_MIN = 2**20
"""Windows of a stream are at least this long, but for its last one."""
_LOST_BYTES = (LossCause.RING_FULL, LossCause.OVERRUN, LossCause.SETTINGS, LossCause.CARD)


@dataclass(eq=False)
class StreamWindow:
    """Chunks that follow each other, whole: ``data``, which begins at byte ``offset`` of the run's stream.

    ``chunk_offset`` (bytes of the stream), ``chunk_tick_us`` and ``chunk_lost`` tell of each chunk, shape (k,), where
    it begins, when (see :class:`StreamChunk`) and whether bytes were lost before it. The first begins at ``offset``,
    each ends where the next one begins, and the last with the window.
    """

    offset: int
    data: bytes
    chunk_offset: Ints
    chunk_tick_us: Ints
    chunk_lost: Bools

    def chunks(self) -> Iterator[StreamChunk]:
        """Its chunks one by one."""
        begins = self.chunk_offset - self.offset
        ends = np.append(begins[1:], len(self.data))
        columns = (begins.tolist(), ends.tolist(), self.chunk_tick_us.tolist(), self.chunk_lost.tolist())
        for begin, end, tick_us, lost in zip(*columns, strict=True):
            yield StreamChunk(tick_us, self.data[begin:end], lost)


def chunks_of_windows(windows: Iterable[StreamWindow]) -> Iterator[StreamChunk]:
    """The chunks of a stream one by one."""
    for one in windows:
        yield from one.chunks()


def stream_windows(tables: Iterable[FrameTable], clock: Clock | None = None) -> Iterator[StreamWindow]:
    """Join one run's frames, in order, to chunks: a raw frame and what continues it are one.

    ``chunk_tick_us`` counts from power-up and is unwrapped; a frame whose tick is lost is given that of the byte before
    it. ``chunk_lost`` marks bytes that the logger counted lost and frames that damage took. Frames that were written
    twice, because the card refused a block it had in truth taken, come once, and so do copies of a block. Unknown
    messages are passed over. A window has 1 to 3 MiB, the last one less.

    Where ``tables`` begin inside the run, ``clock`` is one that knows the frame before them.
    """
    return windows_of_timed(timed_tables(tables, clock))


def windows_of_timed(tables: Iterable[TimedTable]) -> Iterator[StreamWindow]:
    """As :func:`stream_windows`, from the tables with their times."""
    pieces = _Pieces()
    joiner = _Joiner()
    for timed in tables:
        joiner.add(pieces.of(timed))
        yield from joiner.windows(WINDOW_BYTES_MIN)
    joiner.close()
    yield from joiner.windows(1)


@dataclass(eq=False)
class _Raw:
    """Receiver bytes out of frames, in order, none of them empty: ``begins`` says where a chunk must begin, ``lost``
    that bytes were lost before."""

    data: bytes
    at: Ints
    size: Ints
    tick_us: Ints
    begins: Bools
    lost: Bools


class _Pieces:
    """Finds the receiver's bytes in the tables of a run, one table after the other."""

    def __init__(self) -> None:
        self._twins = TwinFinder()
        self._first = True
        # Bytes were lost since the last ones that came.
        self._lost = False

    def of(self, timed: TimedTable) -> _Raw:
        """The receiver's bytes in one table, which is not empty."""
        table, times = timed
        lost = (table.after_damage | self._at_first(len(table))) & (table.code != RunStart.CODE)
        for row in np.flatnonzero(table.code == Loss.CODE).tolist():
            record = decode_payload(Loss.CODE, table.payload(row))[1]
            lost[row] |= isinstance(record, Loss) and record.cause in _LOST_BYTES
        raw = np.flatnonzero((table.code == Raw.CODE) | (table.code == RawMore.CODE))
        repeated = self._twins.bytes_seen(table, raw)
        size = table.payload_size[raw] - repeated
        kept = np.flatnonzero(size > 0)
        rows = raw[kept]
        # Losses so far, against those at the bytes that came last.
        losses = np.cumsum(lost)
        at_rows = losses[rows]
        lost_before = np.diff(at_rows, prepend=0) > 0
        if rows.size:
            lost_before[0] |= self._lost
            self._lost = bool(losses[-1] > at_rows[-1])
        else:
            self._lost = self._lost or bool(losses[-1])
        begins = lost_before | (table.code[rows] == Raw.CODE)
        at = table.payload_at[rows] + repeated[kept]
        return _Raw(table.data, at, size[kept], times[rows], begins, lost_before)

    def _at_first(self, rows: int) -> Bools:
        """A run that does not begin with its start has lost its beginning."""
        marks = np.zeros(rows, np.bool_)
        marks[0] = self._first
        self._first = False
        return marks


class _Joiner:
    """Joins pieces to chunks, and chunks to windows."""

    def __init__(self) -> None:
        self._offset = 0
        # What waits for a window: all of it whole chunks, but that the last one is still open.
        self._parts: list[NDArray[np.uint8]] = []
        self._size = 0
        self._begins: list[Ints] = []
        self._ticks: list[Ints] = []
        self._lost: list[Bools] = []
        self._open_at = -1

    def add(self, raw: _Raw) -> None:
        """Add pieces; the chunk of the last of them stays open."""
        if not raw.size.size:
            return
        ends = self._size + np.cumsum(raw.size)
        places = ends - raw.size
        begins = raw.begins.copy()
        begins[0] |= self._open_at < 0
        _part_long_ones(begins, places, max(self._open_at, 0), int(ends[-1]))
        chosen = np.flatnonzero(begins)
        self._parts.append(_cut_out(raw.data, raw.at, raw.size))
        self._size = int(ends[-1])
        if chosen.size:
            self._begins.append(places[chosen])
            self._ticks.append(raw.tick_us[chosen])
            self._lost.append(raw.lost[chosen])
            self._open_at = int(places[chosen[-1]])

    def close(self) -> None:
        """No more pieces follow: the last chunk is whole."""
        self._open_at = self._size

    def windows(self, least: int) -> Iterator[StreamWindow]:
        """The chunks that are whole, if they come to ``least`` bytes together."""
        end = self._open_at
        if end < least:
            return
        *parts, last = self._parts
        open_in_last = end - sum(len(part) for part in parts)
        if open_in_last < 0:
            # One chunk is open since before the last part.
            parts, last = [], np.concatenate(self._parts)
            open_in_last = end
        begins, ticks, lost = np.concatenate(self._begins), np.concatenate(self._ticks), np.concatenate(self._lost)
        whole = int(np.searchsorted(begins, end))
        data = b"".join([*(part.data for part in parts), last[:open_in_last].data])
        window = StreamWindow(self._offset, data, begins[:whole] + self._offset, ticks[:whole], lost[:whole])
        self._offset += end
        self._parts, self._size = [last[open_in_last:].copy()], self._size - end
        self._begins, self._ticks, self._lost = [begins[whole:] - end], [ticks[whole:]], [lost[whole:]]
        self._open_at = 0
        yield window


def _cut_out(data: bytes, at: Ints, size: Ints) -> NDArray[np.uint8]:
    """The stretches of ``size`` bytes from each of ``at`` on, one after the other."""
    fast = kernels()
    if fast is not None:
        return fast.pieces(data, at, size)
    begin, end = int(at[0]), int(at[-1] + size[-1])
    # Wanted and unwanted bytes by turns.
    lengths = np.zeros(2 * at.size, np.int64)
    lengths[::2] = size
    lengths[1:-1:2] = at[1:] - at[:-1] - size[:-1]
    if lengths.min() < 0:
        # Of blocks that are there twice, the frames come by their places.
        return np.frombuffer(data, np.uint8)[ranges(at, size)]
    wanted = np.zeros(lengths.size, np.bool_)
    wanted[::2] = True
    return np.frombuffer(data, np.uint8)[begin:end][np.repeat(wanted, lengths)]


def _part_long_ones(begins: Bools, places: Ints, open_at: int, end: int) -> None:
    """Mark where chunks begin that would else go on past CHUNK_BYTES_MAX; the one open before begins at ``open_at``."""
    firsts = np.flatnonzero(begins)
    starts = np.append(open_at, places[firsts])
    stops = np.append(places[firsts], end)
    for start, stop in zip(*(one[stops - starts > CHUNK_BYTES_MAX].tolist() for one in (starts, stops)), strict=True):
        while True:
            row = int(np.searchsorted(places, start + CHUNK_BYTES_MAX))
            if row >= places.size or places[row] >= stop:
                break
            begins[row] = True
            start = int(places[row])


class TwinFinder:
    """:class:`~offtake.journal.twins.Twins` for tables of one run, with only the frames that it is asked about: which
    of them the log holds a second time. ``rows``, rising, are theirs in the table."""

    def __init__(self) -> None:
        self._twins = Twins()

    def bytes_seen(self, table: FrameTable, rows: Ints) -> Ints:
        """Of each frame, shape (m,), the bytes at the payload's start that the block before held at the same tick."""
        return self._told(table, rows, self._twins.already_seen)

    def repeats(self, table: FrameTable, rows: Ints) -> Bools:
        """Of each frame, shape (m,), whether the block before held the whole of it at the same tick."""
        repeated: Bools = self._told(table, rows, self._twins.repeats) > 0
        return repeated

    def _told(self, table: FrameTable, rows: Ints, tell: Callable[[Frame], int]) -> Ints:
        seen = np.zeros(rows.size, np.int64)
        firsts = np.flatnonzero(np.diff(table.number[rows], prepend=-1))
        ends = np.append(firsts[1:], rows.size)
        # The first block may be one that the table before had a part of, and the last two tell about the next table's.
        by_hand = {0, firsts.size - 2, firsts.size - 1, *_overlapping(table.tick[rows], firsts).tolist()}
        last = -1
        for group in sorted(one for one in by_hand if 0 <= one < firsts.size):
            if group - 1 != last and group > 0:
                self._feed(table, rows[firsts[group - 1] : ends[group - 1]], tell)
            part = slice(firsts[group], ends[group])
            seen[part] = self._feed(table, rows[part], tell)
            last = group
        return seen

    @staticmethod
    def _feed(table: FrameTable, rows: Ints, tell: Callable[[Frame], int]) -> list[int]:
        return [tell(frame) for frame in table.taken(rows).frames()]


def _overlapping(ticks: Ints, firsts: Ints) -> Ints:
    """Blocks (as indices into ``firsts``) whose ticks reach into those of the block before."""
    if firsts.size < 2:
        return np.zeros(0, np.int64)
    least = np.minimum.reduceat(np.where(ticks == NONE, 2**32, ticks), firsts)
    most = np.maximum.reduceat(ticks, firsts)
    return np.flatnonzero((least[1:] <= most[:-1]) & (most[1:] >= least[:-1])) + 1
