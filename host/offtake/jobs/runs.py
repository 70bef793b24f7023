"""From a salvaged journal to what each of its runs tells: track, analysis, events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from offtake.dialects.tables import AnyDialect
from offtake.errors import DamageError, UsageError
from offtake.jobs.measured import measured_batches, measured_notes
from offtake.journal.events import RunEvent, run_story
from offtake.journal.measured import Series, gather
from offtake.journal.runs import RunInfo
from offtake.journal.salvage import Account, Salvage
from offtake.journal.stream import salvaged_chunks
from offtake.spec.dialect import load_dialect
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis
from offtake.track.build import read_track
from offtake.track.fix import Track

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


def read_run(found: Salvage, info: RunInfo, how: Hearing, *, measured: bool = True) -> RunLog:
    """Decode one run and look it over, with its measurements unless they are not wanted."""
    track = read_track(
        salvaged_chunks(found, info.run),
        baud=baud_of(found, info),
        run=info.run,
        extra_dialects=how.dialects,
        latency_s=how.latency_s,
    )
    events, end_tick_us = run_story(found.frames(info.run), info.run)
    lossy = [event for event in events if event.loses_line_bytes]
    # An event may stand for several: bytes were lost at its first and at its last tick.
    losses = sorted({tick for event in lossy for tick in (event.tick_us, event.last_tick_us)})
    analysis = analyse(track, losses=losses, end_tick_us=end_tick_us)
    series = gather(measured_batches(found, info.run)) if measured else ()
    return RunLog(info, track, analysis, events, end_tick_us, series, measured_notes(found, info.run))
