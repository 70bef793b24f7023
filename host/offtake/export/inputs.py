"""What every export is made from: tracks, what was found in them, and the logger's own events."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError
from offtake.export.span import RunSpan
from offtake.journal.events import RunEvent
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S


def positive_gap_us(gap_s: float) -> float:
    """``gap_s`` in microseconds; UsageError unless it is positive."""
    if not gap_s > 0:
        raise UsageError(f"a gap of {gap_s} s", expected="a positive number of seconds")
    return gap_s * 1e6


Doubts = tuple[NDArray[np.int32], tuple[str, ...]]
"""For each fix the kinds of glitch that it is part of, by place (-1: none) in the texts given beside, where each kind
stands once, parted by spaces."""

# Lifts what one glitch has just changed over what it has still to look at: there are far fewer texts.
_MADE = 2**20

Segment = list[tuple[int, Fix]]
"""Fixes with a position and no gap between them, each with its index in the track."""


@dataclass(frozen=True)
class ExportInput:
    """One export's subject. ``label`` names the whole; it may come from a log.

    ``analyses`` belong to ``tracks`` by their run; a run may be without one. Of a run with one of the ``spans``, by its
    number, only what lies in it is exported; the rest of its track is what was read beside it. Raises
    :class:`~offtake.errors.UsageError` for two tracks or analyses of one run, and for an analysis that names fixes its
    track does not have.
    """

    tracks: Sequence[Track]
    analyses: Sequence[Analysis] = ()
    events: Sequence[RunEvent] = ()
    label: str = ""
    spans: Mapping[int, RunSpan] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for what, runs in (("tracks", [one.run for one in self.tracks]), ("analyses", list(self._analysis_runs()))):
            if len(set(runs)) != len(runs):
                raise UsageError(f"two {what} of one run", expected="one for each run")
        sizes = {track.run: len(track.fixes) for track in self.tracks}
        for analysis in self.analyses:
            found: list[Gap | Glitch] = [*analysis.gaps, *analysis.glitches]
            named = [index for one in found for index in (one.first, one.last)]
            wrong = [index for index in named if index is not None and not 0 <= index < sizes.get(analysis.run, 0)]
            if wrong:
                size = sizes.get(analysis.run, 0)
                raise UsageError(
                    f"the analysis of run {analysis.run} names fix {wrong[0]}", expected=f"one of the track's {size}"
                )

    def _analysis_runs(self) -> Iterator[int]:
        return (one.run for one in self.analyses)

    @cached_property
    def _by_run(self) -> Mapping[int, Analysis]:
        return {one.run: one for one in self.analyses}

    def analysis(self, run: int) -> Analysis | None:
        """The analysis of run number ``run``, if there is one."""
        return self._by_run.get(run)

    def segments(self, track: Track, gap_s: float = GAP_S) -> Iterator[Segment]:
        """Yield the fixes of ``track`` with a position, parted at the gaps that its analysis found.

        Without an analysis they are parted as :func:`offtake.track.segments.split_segments` does by ``gap_s``, in
        seconds. Raises as that does. Of a run with a span these are the fixes in it.
        """
        analysis = self.analysis(track.run)
        kept = self.kept(track)
        rows = np.flatnonzero(track.fixes.has_position & kept)
        ticks = track.fixes.tick_us[rows]
        if analysis is None:
            cuts = np.flatnonzero(np.diff(ticks) > positive_gap_us(gap_s)) + 1
        else:
            ends = [gap.last for gap in analysis.gaps if gap.last is not None]
            cuts = np.flatnonzero(np.isin(rows[1:], np.array(ends, dtype=np.int64))) + 1
        for part in np.split(rows, cuts):
            if len(part):
                yield list(zip(part.tolist(), track.fixes.taken(part), strict=True))

    def kept(self, track: Track) -> NDArray[np.bool_]:
        """Which fixes of ``track`` are exported: shape (n,)."""
        span = self.spans.get(track.run)
        fixes = track.fixes
        return np.ones(len(fixes), np.bool_) if span is None else span.keeps(fixes.tick_us, fixes.utc_us)

    def doubts(self, run: int) -> dict[int, str]:
        """For each fix of ``run`` that a glitch concerns: its index and the kinds of glitch, parted by spaces."""
        analysis = self.analysis(run)
        if analysis is None or not analysis.glitches:
            return {}
        doubt, texts = doubts_of(analysis.glitches, 1 + max(glitch.last for glitch in analysis.glitches))
        return {index: texts[doubt[index]] for index in np.flatnonzero(doubt >= 0).tolist()}

    @property
    def epochs(self) -> int:
        """Epochs of all tracks that are exported."""
        return sum(int(np.count_nonzero(self.kept(track))) for track in self.tracks)


def doubts_of(glitches: Iterable[Glitch], count: int) -> Doubts:
    """What ``glitches`` say of ``count`` fixes."""
    texts: list[str] = []
    doubt = np.full(count, -1, dtype=np.int32)
    for glitch in glitches:
        part = doubt[glitch.first : glitch.last + 1]
        for known in np.unique(part).tolist():
            before = texts[known] if known >= 0 else ""
            if glitch.kind in before.split():
                continue
            text = f"{before} {glitch.kind}".strip()
            if text not in texts:
                texts.append(text)
            part[part == known] = texts.index(text) + _MADE
        part[part >= _MADE] -= _MADE
    return doubt, tuple(texts)
