"""From a salvaged journal to what each of its runs tells: track, analysis, events."""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from offtake.dialects.tables import AnyDialect
from offtake.errors import DamageError, UsageError
from offtake.jobs.measured import measured_batches, measured_notes
from offtake.journal.account import Account
from offtake.journal.bulk.stream import StreamWindow, windows_of_timed
from offtake.journal.bulk.times import timed_tables
from offtake.journal.events import RunEvent, Story
from offtake.journal.measured import Series, gather
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Salvage
from offtake.spec.dialect import load_dialect
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis
from offtake.track.build import EpochReader, track_of
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fix import Track
from offtake.track.parts import Told, TrackPart, track_parts
from offtake.track.timeline import TimeLine
from offtake.track.timeline.join import light

BAUD_ASSUMED = 57_600
"""Where neither the run's start nor the journal's header is left to say it; only the times of single bytes need it."""
RIGHTLY_SKIPPED = ("fill", "foreign_journal")
"""What salvage skips in a journal that nothing happened to."""
LATENCY_MAX_S = 10.0


@dataclass(frozen=True)
class Hearing:
    """How a receiver's stream is to be heard: dialects beside the built-in ones, and how long after its epoch the
    receiver's first byte comes at the earliest."""

    dialects: tuple[AnyDialect, ...] = ()
    latency_s: float = 0.0


@dataclass(frozen=True)
class RunLog:
    """One run of a journal. ``end_tick_us`` is the tick of its last frame, in microseconds since power-up. ``measured``
    are its measurements, a series for each message (thinned where there are very many), ``measured_notes`` what is to
    be said of them."""

    info: RunInfo
    track: Track
    analysis: Analysis
    events: tuple[RunEvent, ...]
    end_tick_us: int
    measured: tuple[Series, ...] = ()
    measured_notes: tuple[str, ...] = ()


def hearing(dialect_files: Sequence[Path] = (), latency_ms: float = 0.0) -> Hearing:
    """Read the user's own dialects.

    :raises SpecError: one of them is wrong. :raises InputOutputError: one cannot be read.
    :raises UsageError: two have the same name, or the latency is not between 0 and 10 s.
    """
    if not 0.0 <= latency_ms <= LATENCY_MAX_S * 1000:
        raise UsageError(f"a latency of {latency_ms} ms", expected=f"0 to {LATENCY_MAX_S * 1000:.0f}")
    dialects = tuple(load_dialect(path) for path in dialect_files)
    names = [dialect.name for dialect in dialects]
    if len(set(names)) != len(names):
        raise UsageError(f"dialects {', '.join(names)}", expected="each with a name of its own")
    return Hearing(dialects, latency_ms / 1000)


def damaged_bytes(account: Account) -> int:
    """Bytes skipped for damage, not because nothing of this journal was ever there."""
    return sum(count for reason, count in account.skipped.items() if reason not in RIGHTLY_SKIPPED)


def chosen_runs(found: Salvage, run: int | None, source: Path) -> tuple[RunInfo, ...]:
    """All runs, or the one asked for.

    :raises DamageError: nothing of a journal. :raises UsageError: no such run.
    """
    runs = found.runs()
    if not runs and found.account.structure_bytes == 0:
        raise DamageError("nothing of a journal in it", where=str(source), expected="a journal, whole or damaged")
    if run is None:
        return runs
    chosen = tuple(info for info in runs if info.run == run)
    if not chosen:
        known = ", ".join(str(info.run) for info in runs) or "none"
        raise UsageError(f"no run {run}", where=str(source), expected=f"one of the runs in it: {known}")
    return chosen


def baud_of(found: Salvage, info: RunInfo) -> int:
    """The speed the run's line was read at."""
    return max(1, info.start.baud if info.start else found.header.baud if found.header else BAUD_ASSUMED)


@dataclass(frozen=True)
class RunPart(TrackPart):
    """A part of a run, with the ``events`` of its ticks (those told late come with a later part). ``end_tick_us`` is
    the latest tick of any frame so far, in microseconds since power-up."""

    info: RunInfo
    events: tuple[RunEvent, ...]
    end_tick_us: int


class _Reading:
    """One passage over a run's frames: the receiver's bytes go on as epochs, the events are gathered on the way."""

    def __init__(self, found: Salvage, info: RunInfo, how: Hearing, numbers: tuple[int, int] | None = None) -> None:
        self._found, self.info, self._numbers = found, info, numbers
        self.story = Story(info.run)
        self.reader = EpochReader(baud=baud_of(found, info), run=info.run, extra_dialects=how.dialects)

    def batches(self) -> Generator[EpochBatch, None, None]:
        """The run's epochs; who stops before the end closes it."""
        return self.reader.batches(self._windows())

    def told(self) -> Told:
        """What is known by now besides."""
        return Told(self.reader.counts, self.reader.notes, self.story.loss_ticks(), self.story.end_tick_us)

    def _windows(self) -> Iterator[StreamWindow]:
        run, numbers, index = self.info.run, self._numbers, self._found.index
        clock = None if numbers is None or index is None else index.clock(run, numbers[0])
        return windows_of_timed(self.story.heard(timed_tables(self._found.frame_tables(run, numbers), clock)))


def read_run(found: Salvage, info: RunInfo, how: Hearing, *, measured: bool = True) -> RunLog:
    """Decode one run as a whole and look it over, with its measurements unless they are not wanted.

    The frames are read once, and once more for measurements if there are any. It takes some 250 bytes of memory for
    each epoch and 42 for each satellite told with it, twice that for a moment; :func:`run_parts` bounds it.
    """
    reading = _Reading(found, info, how)
    epochs = EpochBatch.concat(list(reading.batches()))
    track = track_of(epochs, info.run, reading.reader.counts, reading.reader.notes, latency_s=how.latency_s)
    story = reading.story
    analysis = analyse(track, losses=story.loss_ticks(), end_tick_us=story.end_tick_us)
    series = gather(measured_batches(found, info.run)) if measured else ()
    notes = measured_notes(found, info.run)
    return RunLog(info, track, analysis, story.events(), story.end_tick_us, series, notes)


def run_parts(
    found: Salvage,
    info: RunInfo,
    how: Hearing,
    numbers: tuple[int, int] | None = None,
    *,
    known: TimeLine | None = None,
    again: Callable[[], None] | None = None,
) -> Generator[RunPart, None, None]:
    """Decode one run, however long, in bounded memory: yield it in parts, as :mod:`offtake.track.parts` says. Who stops
    before the end closes it.

    ``numbers`` are the first and the last block to read, all if ``None``; ``known`` is a time line of the run, for
    where what is read tells no date. The frames are read once; but without a known line, where the first part tells no
    date, up to the first part that does, and then ``again`` is called and all are read with its line. The only part of
    a run that is no longer is the same as :func:`read_run` gives.
    """
    with closing(_parts(_Reading(found, info, how, numbers), how, known)) as parts:
        for part in parts:
            if known is None and part.number == 0 and not part.is_last and not _tells_utc(part.track):
                del part
                break
            yield part
            # Nothing here keeps a part in memory while the next one is read.
            del part
        else:
            return
        known = _first_line(parts)
    if again is not None:
        again()
    yield from _parts(_Reading(found, info, how, numbers), how, known)


def _tells_utc(track: Track) -> bool:
    return track.timeline is not None and track.timeline.usable


def _first_line(parts: Iterator[RunPart]) -> TimeLine | None:
    """The line of the first part that tells a date."""
    for part in parts:
        track = part.track
        del part
        if track.timeline is not None and _tells_utc(track):
            return light(track.timeline)
        del track
    return None


def _parts(reading: _Reading, how: Hearing, known: TimeLine | None) -> Generator[RunPart, None, None]:
    info, story = reading.info, reading.story
    with closing(reading.batches()) as batches:
        for part in track_parts(batches, info.run, reading.told, latency_s=how.latency_s, known=known):
            events = story.taken(part.until_tick_us)
            made = RunPart(**_fields(part), info=info, events=events, end_tick_us=story.end_tick_us)
            # Nothing here keeps a part in memory while the next one is read.
            del part
            yield made
            del made


def _fields(part: TrackPart) -> dict[str, Any]:
    return {one.name: getattr(part, one.name) for one in fields(part)}
