"""What every export is made from: tracks, what was found in them, and the logger's own events."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from offtake.errors import UsageError
from offtake.journal.events import RunEvent
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.fix import Fix, Track
from offtake.track.segments import GAP_S, split_segments

Segment = list[tuple[int, Fix]]
"""Fixes with a position and no gap between them, each with its index in the track."""


@dataclass(frozen=True)
class ExportInput:
    """One export's subject. ``label`` names the whole; it may come from a log.

    ``analyses`` belong to ``tracks`` by their run; a run may be without one. Raises
    :class:`~offtake.errors.UsageError` for two tracks or analyses of one run, and for an analysis that names fixes its
    track does not have.
    """

    tracks: Sequence[Track]
    analyses: Sequence[Analysis] = ()
    events: Sequence[RunEvent] = ()
    label: str = ""

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
        seconds. Raises as that does.
        """
        analysis = self.analysis(track.run)
        if analysis is None:
            places = (index for index, fix in enumerate(track.fixes) if fix.has_position)
            for part in split_segments(track, gap_s):
                yield [(next(places), fix) for fix in part]
            return
        cuts = {gap.last for gap in analysis.gaps}
        segment: Segment = []
        for index, fix in enumerate(track.fixes):
            if not fix.has_position:
                continue
            if index in cuts and segment:
                yield segment
                segment = []
            segment.append((index, fix))
        if segment:
            yield segment

    def doubts(self, run: int) -> dict[int, str]:
        """For each fix of ``run`` that a glitch concerns: its index and the kinds of glitch, parted by spaces."""
        analysis = self.analysis(run)
        doubts: dict[int, str] = {}
        for glitch in analysis.glitches if analysis else ():
            for index in range(glitch.first, glitch.last + 1):
                kinds = doubts.get(index, "")
                if glitch.kind not in kinds.split():
                    doubts[index] = f"{kinds} {glitch.kind}".strip()
        return doubts

    @property
    def epochs(self) -> int:
        """Epochs in all tracks."""
        return sum(len(track.fixes) for track in self.tracks)
