"""What a report is made from: what the rooms before this one found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from offtake.journal.events import RunEvent
from offtake.journal.runs import RunInfo
from offtake.journal.verify import VerifyReport
from offtake.track.analysis import Analysis
from offtake.track.fix import Track

if TYPE_CHECKING:
    from offtake.journal.measured import Series


@dataclass(frozen=True)
class RunInput:
    """One run. ``end_tick_us`` is the tick of its last frame in microseconds since power-up, where known; ``measured``
    what its sensors told, by message, and ``measured_notes`` what there is to say about how that was read."""

    info: RunInfo
    track: Track
    analysis: Analysis
    events: Sequence[RunEvent] = ()
    end_tick_us: int | None = None
    measured: Sequence[Series] = ()
    measured_notes: Sequence[str] = ()

    @property
    def run(self) -> int:
        """The run's number in its journal."""
        return self.info.run

    @property
    def last_tick_us(self) -> int:
        """The latest tick anything of the run carries, in microseconds since power-up."""
        ticks = [self.end_tick_us or 0]
        if len(self.track.fixes):
            ticks.append(int(self.track.fixes.tick_us.max()))
        ticks.extend(event.tick_us for event in self.events)
        ticks.extend(gap.end_tick_us for gap in self.analysis.gaps)
        return max(ticks)


@dataclass(frozen=True)
class ReportInput:
    """A journal. ``source`` is the file's name without its folder; it and the label are text of others."""

    source: str
    verify: VerifyReport
    runs: Sequence[RunInput]
