"""Gaps, glitches and the logger's events in one list: each with its time, its place and what it is in words."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from offtake.export.inputs import ExportInput
from offtake.export.positions import Positions
from offtake.export.span import RunSpan
from offtake.export.values import clean_label
from offtake.journal.events import EventKind, RunEvent
from offtake.track.analysis import Gap, Glitch
from offtake.track.fixes import FixColumns, utc_us_of
from offtake.track.timeline import TimeLine
from offtake.track.values import Fix

MarkKind = Literal["gap", "glitch"] | EventKind
TEXT_LENGTH_MAX = 1000
_TICK_MAX = 2**63 - 1

_COUNTED = ("loss", "damage", "event")
_REASON_WORDS = {
    "no_position": "the receiver gave no position",
    "bytes_lost": "the logger lost bytes",
    "nothing_heard": "nothing was heard",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing worth a pin. ``kind`` and ``cause`` are those of the gap, glitch or event.

    Ticks are in microseconds since power-up. ``utc_uncertainty_s`` (95 %) stands where the times come from the time
    line and not from a fix. ``count`` and ``merged`` are as in :class:`offtake.journal.events.RunEvent`. ``first_fix``
    and ``last_fix`` are indices into the run's track. ``place`` is the fix it is shown at, ``place_s`` how much later
    than the mark that fix is, in seconds; ``None`` in a run without a position.
    """

    run: int
    kind: MarkKind
    cause: str
    tick_us: int
    end_tick_us: int
    utc: dt.datetime | None
    end_utc: dt.datetime | None
    text: str
    utc_uncertainty_s: float | None = None
    count: int | None = None
    merged: int = 1
    first_fix: int | None = None
    last_fix: int | None = None
    place: Fix | None = None
    place_s: float | None = None
    evidence: tuple[tuple[str, float], ...] = ()
    supply_mv: int | None = None
    card_busy_ms: int | None = None

    @property
    def seconds(self) -> float:
        """Length by the logger's ticks, in seconds."""
        return (self.end_tick_us - self.tick_us) / 1e6

    @property
    def name(self) -> str:
        """A short name: the kind and the cause, in words."""
        cause = self.cause.replace("_", " ").replace("+", " and ")
        return clean_label(": ".join(part for part in (self.kind.replace("_", " "), cause) if part))

    @property
    def description(self) -> str:
        """The whole in words, with where it is shown."""
        return " ".join(part for part in (f"{self.text}.", self._shown()) if part)

    def _shown(self) -> str:
        if self.place is None or self.place_s is None or self.place_s == 0.0:
            return ""
        when = "before it" if self.place_s < 0 else "after it"
        return f"Shown at the position {abs(self.place_s):.1f} s {when}."


def marks_of(inputs: ExportInput) -> tuple[Mark, ...]:
    """Return all gaps, glitches and events of ``inputs``, run by run, by time within a run."""
    tracks = {track.run: track for track in inputs.tracks}
    events: dict[int, list[RunEvent]] = {run: [] for run in tracks}
    for event in inputs.events:
        events.setdefault(event.run, []).append(event)
    marks: list[Mark] = []
    for run, of_run in events.items():
        analysis, track = inputs.analysis(run), tracks.get(run)
        positions = Positions()
        fixes = track.fixes if track else FixColumns.empty(run)
        positions.add(fixes)
        found = RunMarks(run, positions, fixes)
        if track and analysis:
            found.add(analysis.gaps, analysis.glitches, (), None)
        found.add((), (), of_run, track.timeline if track else None)
        marks += marks_in(found.marks(), inputs.spans.get(run))
    return tuple(marks)


def marks_in(marks: Sequence[Mark], span: RunSpan | None) -> Sequence[Mark]:
    """Those of one run's ``marks`` that begin in the ``span``."""
    if span is None or not marks:
        return marks
    ticks = np.array([mark.tick_us for mark in marks], dtype=np.int64)
    times = np.array([utc_us_of(mark.utc) for mark in marks], dtype=np.int64)
    return [marks[row] for row in np.flatnonzero(span.keeps(ticks, times)).tolist()]


class RunMarks:
    """The gaps, glitches and events of one run, taken in part by part. ``positions`` must have those of all parts
    before :meth:`marks` is asked for. With all the ``fixes`` of the run the places tell everything, else where and when
    only."""

    def __init__(self, run: int, positions: Positions, fixes: FixColumns | None = None) -> None:
        self.positions = positions
        self._run = run
        self._fixes = fixes
        self._found: list[tuple[Mark, int | None]] = []

    def add(
        self,
        gaps: Sequence[Gap],
        glitches: Sequence[Glitch],
        events: Iterable[RunEvent],
        timeline: TimeLine | None,
    ) -> None:
        """Take in more of them; fixes are named by their numbers in the run, and events are told in UTC by the
        ``timeline``."""
        self._found += [(_gap(gap), gap.last if gap.first is None else gap.first) for gap in gaps]
        self._found += [(_glitch(glitch), glitch.first) for glitch in glitches]
        self._found += [(mark, None) for mark in _stamped([_event(event) for event in events], timeline)]

    def marks(self) -> list[Mark]:
        """All of them, by time, each at its fix, or else at the last position before it, or the first at all."""
        ticks = np.array([min(mark.tick_us, _TICK_MAX) for mark, _ in self._found], dtype=np.int64)
        before = self.positions.before(ticks).row.tolist()
        fixes = self._shown({*before, *(row for _, row in self._found if row is not None)} - {-1})
        placed = []
        for (mark, row), last in zip(self._found, before, strict=True):
            place = (None if row is None else fixes.get(row)) or fixes.get(last)
            placed.append(mark if place is None else _at(mark, place))
        return sorted(placed, key=lambda mark: mark.tick_us)

    def _shown(self, rows: set[int]) -> dict[int, Fix]:
        """Those fixes of ``rows`` that have a position."""
        if self._fixes is None:
            fixes = ((row, self.positions.at_row(self._run, row)) for row in sorted(rows))
            return {row: fix for row, fix in fixes if fix is not None}
        chosen = sorted(rows)
        every = zip(chosen, self._fixes.taken(np.array(chosen, dtype=np.int64)), strict=True)
        return {row: fix for row, fix in every if fix.has_position}


def _at(mark: Mark, place: Fix) -> Mark:
    return replace(mark, place=place, place_s=(place.tick_us - mark.tick_us) / 1e6)


def _gap(gap: Gap) -> Mark:
    text = f"{gap.seconds:,.1f} s without a position: {_REASON_WORDS[gap.reason]}"
    return Mark(gap.run, "gap", gap.reason, gap.start_tick_us, gap.end_tick_us, gap.start_utc, gap.end_utc, text,
                first_fix=gap.first, last_fix=gap.last)  # fmt: skip


def _glitch(glitch: Glitch) -> Mark:
    text = clean_label(glitch.text, TEXT_LENGTH_MAX).rstrip(".")
    return Mark(glitch.run, "glitch", glitch.kind, glitch.start_tick_us, glitch.end_tick_us, glitch.start_utc, None,
                text, first_fix=glitch.first, last_fix=glitch.last, evidence=glitch.evidence)  # fmt: skip


def _event(event: RunEvent) -> Mark:
    text = clean_label(event.text, TEXT_LENGTH_MAX)
    return Mark(event.run, event.kind, event.cause, event.tick_us, event.last_tick_us, None, None, text,
                count=event.count if event.kind in _COUNTED else None, merged=event.merged,
                supply_mv=event.supply_mv, card_busy_ms=event.card_busy_ms)  # fmt: skip


def _stamped(listed: Sequence[Mark], line: TimeLine | None) -> Iterator[Mark]:
    """The marks with UTC from the run's time line, where it has one."""
    if line is None or not line.usable or not listed:
        yield from listed
        return
    begins, off = line.stamp_many(np.array([mark.tick_us for mark in listed], np.int64))
    ends, _ = line.stamp_many(np.array([mark.end_tick_us for mark in listed], np.int64))
    for mark, begin, end, off_s in zip(listed, begins.tolist(), ends.tolist(), off.tolist(), strict=True):
        # A time past the calendar has no moment, and an uncertainty without bound.
        known_s = off_s if math.isfinite(off_s) else None
        yield replace(mark, utc=_moment(begin), end_utc=_moment(end), utc_uncertainty_s=known_s)


def _moment(moment: object) -> dt.datetime | None:
    """NumPy gives a time beyond year 9999 as a number."""
    return moment.replace(tzinfo=dt.UTC) if isinstance(moment, dt.datetime) else None
