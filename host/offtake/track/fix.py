"""A run's fixes: what the receiver said, epoch by epoch, on one UTC time line."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from offtake.dialects.message import DecodeCounts
from offtake.track.fixes import FixColumns
from offtake.track.skies import SkyColumns
from offtake.track.timeline import TimeLine
from offtake.track.values import Fix, Satellite, Sky

__all__ = ["Fix", "Satellite", "Sky", "Track"]


@dataclass(frozen=True, init=False)
class Track:
    """All epochs of one run, in stream order, and what the decoder counted while reading it.

    ``fixes`` and ``skies`` (the epochs that told of satellites) are held as columns; plain sequences are converted.
    ``timeline`` turns the run's ticks to UTC. ``notes`` say in words what a reader of the positions must know.
    """

    run: int
    fixes: FixColumns
    counts: DecodeCounts = field(default_factory=DecodeCounts)
    skies: SkyColumns = field(default_factory=SkyColumns.empty)
    timeline: TimeLine | None = None
    notes: tuple[str, ...] = ()

    def __init__(
        self,
        run: int,
        fixes: Sequence[Fix],
        counts: DecodeCounts | None = None,
        skies: Sequence[Sky] = (),
        timeline: TimeLine | None = None,
        notes: tuple[str, ...] = (),
    ) -> None:
        given = {
            "run": run,
            "fixes": FixColumns.from_fixes(fixes, run),
            "counts": DecodeCounts() if counts is None else counts,
            "skies": SkyColumns.from_skies(skies, run),
            "timeline": timeline,
            "notes": notes,
        }
        # Frozen for all others.
        for name, value in given.items():
            object.__setattr__(self, name, value)
