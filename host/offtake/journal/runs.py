"""What each recording in a journal holds, summed up from its frames."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from offtake.generated.records import Loss, LossCause, Raw, RawMore, RunEnd, RunStart
from offtake.journal.frames import Frame, without_copies


@dataclass
class RunInfo:
    """One run. ``lost_bytes`` is the exact count of bytes dropped at a full ring; ``loss_events`` counts overruns and
    framing errors, each a lower bound of the bytes concerned. ``start`` and ``end`` are None where no such frame is."""

    run: int
    first_block: int
    last_block: int
    frames: int = 0
    raw_bytes: int = 0
    lost_bytes: int = 0
    loss_events: int = 0
    start: RunStart | None = None
    end: RunEnd | None = None

    def add(self, frame: Frame) -> None:
        """Count one frame of the run."""
        self.first_block = min(self.first_block, frame.block_number)
        self.last_block = max(self.last_block, frame.block_number)
        self.frames += 1
        if frame.code in (Raw.CODE, RawMore.CODE):
            self.raw_bytes += len(frame.payload)
            return
        record = frame.record()[1]
        if isinstance(record, Loss):
            if record.cause in (LossCause.RING_FULL, LossCause.SETTINGS, LossCause.CARD):
                self.lost_bytes += record.count
            else:
                self.loss_events += record.count
        elif isinstance(record, RunStart):
            self.start = record
        elif isinstance(record, RunEnd):
            self.end = record


def summarize_runs(frames: Iterable[Frame]) -> tuple[RunInfo, ...]:
    """Every run that ``frames`` (in order of block number) tell of, by number; frames of no known run and copies are
    left out. At most 65,536 runs."""
    runs: dict[int, RunInfo] = {}
    for frame in without_copies(frames):
        run = frame.likely_run
        if run is None:
            continue
        info = runs.get(run)
        if info is None:
            info = runs[run] = RunInfo(run, frame.block_number, frame.block_number)
        info.add(frame)
    return tuple(info for _, info in sorted(runs.items()))
