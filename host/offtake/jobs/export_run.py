"""What an export reads of one run: all of it, or the blocks of a span of time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from offtake.arrow import of_flags, whole_numbers_in
from offtake.card import OpenedJournal
from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError
from offtake.export.span import RunSpan, Span
from offtake.export.values import iso_utc
from offtake.generated.dialects import DIALECTS
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.lines import store_timeline, stored_timeline
from offtake.jobs.measured import measured_batches
from offtake.jobs.runs import Hearing, RunLog, RunPart, read_run, run_parts
from offtake.journal.bulk.stream import StreamWindow, stream_windows
from offtake.journal.bulk.times import TimedTable, timed_tables
from offtake.journal.clock import Clock
from offtake.journal.measured import Series
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage
from offtake.progress import Watch
from offtake.track.fix import Track
from offtake.track.timeline import TimeLine
from offtake.track.timeline.join import PartsLine, steps_back

# So many runs are named where a span misses them all, and the last.
_RUNS_TOLD = 5
# A shorter run is read as soon as its time line is; a journal may have thousands.
_LONG_BLOCKS = 1_024


@dataclass(frozen=True)
class RunReader:
    """Reads ``info``'s run again and again; of a ``span`` only the blocks of these ``numbers``, first and last."""

    found: Salvage
    info: RunInfo
    how: Hearing
    watch: Watch
    span: RunSpan | None = None
    numbers: tuple[int, int] | None = None

    def parts(self, what: str = "fixes", *, dealt: bool = False) -> Generator[RunPart, None, None]:
        """The run's fixes and what was found in them, part by part; ``dealt`` as in :meth:`Watch.phase`. Who stops
        before the end closes it."""
        self._begin(what, dealt=dealt)
        known = self.span.line if self.span else None
        return run_parts(
            self.found, self.info, self.how, self.numbers, known=known,
            again=lambda: self._begin(f"{what}, the date being known", dealt=dealt),
        )  # fmt: skip

    def timed(self, what: str) -> Iterator[TimedTable]:
        """The run's frames with their times."""
        self._begin(what)
        return timed_tables(self.found.frame_tables(self.info.run, self.numbers), self._clock())

    def windows(self, what: str) -> Iterator[StreamWindow]:
        """The receiver's bytes."""
        self._begin(what)
        return stream_windows(self.found.frame_tables(self.info.run, self.numbers), self._clock())

    def windows_inside(self, what: str) -> Iterator[StreamWindow]:
        """The receiver's bytes, of a span the chunks that begin in it; what goes before the first is told as lost."""
        if self.span is None:
            yield from self.windows(what)
            return
        offset = 0
        cut = True
        for window in self.windows(what):
            kept = self.span.keeps(window.chunk_tick_us)
            for first, stop in _stretches(kept):
                part = _part_of(window, first, stop, offset, lost=cut or first > 0)
                offset += len(part.data)
                yield part
            cut = not kept[-1]

    def measured(self) -> Iterator[Series]:
        """The measurements, of a span those in it."""
        self._begin("measurements")
        for batch in measured_batches(self.found, self.info.run, self.numbers, self._clock()):
            kept = None if self.span is None else self.span.keeps(batch.tick_us)
            if kept is None or kept.all():
                yield batch
                continue
            columns = tuple(column.taken(kept) for column in batch.columns)
            yield replace(batch, tick_us=batch.tick_us[kept], columns=columns, frames=int(np.count_nonzero(kept)))

    def whole(self, last: RunPart) -> RunLog:
        """All parts in one piece, of which ``last`` is the last."""
        log = RunLog(self.info, last.track, last.analysis, last.events, last.end_tick_us)
        if last.number:
            self._begin("fixes, once more")
            log = read_run(self.found, self.info, self.how, measured=False)
        if self.span is None:
            return log
        track = log.track
        stamped = Track(track.run, track.fixes, track.counts, track.skies, self.span.line, track.notes)
        return replace(log, track=stamped)

    def _begin(self, what: str, *, dealt: bool = False) -> None:
        first, last = self.numbers or (self.info.first_block, self.info.last_block)
        self.watch.phase(f"run {self.info.run}: {what}", (last - first + 1) * BLOCK_SIZE, dealt=dealt)

    def _clock(self) -> Clock | None:
        if self.numbers is None or self.found.index is None:
            return None
        return self.found.index.clock(self.info.run, self.numbers[0])


def _stretches(kept: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Iterator[tuple[int, int]]:
    """First and behind the last of each stretch of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], kept, [False]))))
    return zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _part_of(window: StreamWindow, first: int, stop: int, offset: int, *, lost: bool) -> StreamWindow:
    """Some of the chunks of ``window``, as if they began at ``offset``."""
    begins = np.append(window.chunk_offset, window.offset + len(window.data)) - window.offset
    chunk_lost = window.chunk_lost[first:stop].copy()
    chunk_lost[0] |= lost
    return StreamWindow(
        offset,
        window.data[begins[first] : begins[stop]],
        begins[first:stop] - begins[first] + offset,
        window.chunk_tick_us[first:stop],
        chunk_lost,
    )


def messages_in(
    tables: Iterable[tuple[str, str, pa.Table]], span: RunSpan | None
) -> Iterator[tuple[str, str, pa.Table]]:
    """The rows of tables of messages that lie in the ``span``."""
    for dialect, message, table in tables:
        inside = _rows_in(table, "_tick_us", span)
        if inside.num_rows:
            yield dialect, message, inside


def frames_in(tables: Iterable[tuple[str, pa.Table]], span: RunSpan | None) -> Iterator[tuple[str, pa.Table]]:
    """The rows of tables of frames that lie in the ``span``."""
    return ((name, _rows_in(table, "tick_us", span)) for name, table in tables)


def _rows_in(table: pa.Table, ticks: str, span: RunSpan | None) -> pa.Table:
    if span is None or not table.num_rows:
        return table
    return table.filter(of_flags(span.keeps(whole_numbers_in(table.column(ticks).combine_chunks()))))


def dialects_of(how: Hearing) -> tuple[AnyDialect, ...]:
    """The built-in dialects, and the user's own beside or instead of them."""
    return tuple({**DIALECTS, **{dialect.name: dialect for dialect in how.dialects}}.values())


def keep_line(reader: RunReader, source: Path, opened: OpenedJournal, line: TimeLine | None) -> None:
    """Keep a long run's time line for the next time, where that can be done and none is kept."""
    blocks = reader.info.last_block - reader.info.first_block + 1
    if (
        line is not None
        and blocks >= _LONG_BLOCKS
        and stored_timeline(reader.found, reader.info.run, reader.how) is None
    ):
        store_timeline(reader.found, source, opened, reader.info.run, reader.how, line)


def readers(
    found: Salvage,
    source: Path,
    opened: OpenedJournal,
    runs: Sequence[RunInfo],
    how: Hearing,
    watch: Watch,
    span: Span | None,
) -> tuple[tuple[RunReader, ...], tuple[str, ...], tuple[str, ...]]:
    """A reader for each of ``runs``, of a span for those alone that may have something in it; what is to be said of the
    others, in sentences; and, of a span, when each of ``runs`` was. A run whose time line is not kept from before is
    read once to find it."""
    if span is None:
        return tuple(RunReader(found, info, how, watch) for info in runs), (), ()
    chosen: list[RunReader] = []
    notes: list[str] = []
    lasts: list[str] = []
    for info in runs:
        whole = RunReader(found, info, how, watch)
        line = stored_timeline(found, info.run, how) or _line_of(whole, source, opened)
        lasts.append(_lasts(found, info.run, line))
        if line is None or not line.usable:
            notes.append(f"Run {info.run} tells no date and was left out: nobody knows what of it lies in the span.")
            continue
        notes += steps_back(line)
        inside = RunSpan(span, line)
        ticks = inside.ticks()
        index = found.index
        numbers = None if ticks is None or index is None else index.numbers(info.run, *ticks)
        if numbers is None:
            notes.append(f"Run {info.run} has nothing in the span.")
        else:
            chosen.append(replace(whole, span=inside, numbers=numbers))
    return tuple(chosen), tuple(notes), tuple(lasts)


def _lasts(found: Salvage, run: int, line: TimeLine | None) -> str:
    """From when to when a run was, in whole seconds around it."""
    ladder = None if found.index is None else found.index.ladder(run)
    if line is not None and ladder is not None and ladder.size:
        first, last = line.stamp(int(ladder["least_us"].min())), line.stamp(int(ladder["most_us"].max()))
        if first and last:
            end = (last.utc + dt.timedelta(microseconds=999_999)).replace(microsecond=0)
            return f"run {run} lasts from {iso_utc(first.utc.replace(microsecond=0))} to {iso_utc(end)}"
    return f"run {run} tells no date"


def nothing_in_span(source: Path, lasts: Sequence[str]) -> UsageError:
    """What is said of a span in which nothing lies of runs that were as ``lasts`` tells."""
    told = list(lasts[:_RUNS_TOLD])
    left = lasts[_RUNS_TOLD:]
    told += [f"and {len(left) - 1:,} more"] if len(left) > 1 else []
    told += left[-1:]
    expected = "a time at which something came: " + (", ".join(told) or "there is no run")
    return UsageError("nothing in the span; nothing was written", where=str(source), expected=expected)


def _line_of(reader: RunReader, source: Path, opened: OpenedJournal) -> TimeLine | None:
    joined = PartsLine()
    with closing(reader.parts("time line")) as parts:
        for part in parts:
            joined.add(part.track.timeline, part.from_tick_us, part.until_tick_us)
            del part
    keep_line(reader, source, opened, joined.line)
    return joined.line
