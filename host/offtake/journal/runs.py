"""What each recording in a journal holds, summed up from its frames."""

from __future__ import annotations

from dataclasses import dataclass, field

from offtake.generated.records import Loss, LossCause, Raw, RawMore, RunEnd, RunStart
from offtake.journal.frames import Frame

LINE_BYTES_EXACT = (LossCause.RING_FULL, LossCause.SETTINGS, LossCause.CARD)
"""Losses whose count is the receiver's bytes, exactly."""
OF_SENSORS = (LossCause.SENSOR_ROOM, LossCause.SENSOR_SILENT)
"""Losses that concern no byte of the receiver."""


@dataclass
class RunInfo:
    """One run. ``lost_bytes`` is the exact count of the receiver's bytes that were dropped; ``loss_events`` counts
    overruns and framing errors, each a lower bound of the bytes concerned. ``sensor_frames_lost`` counts frames of
    sensors that found no room, ``sensor_silent`` readings that a sensor did not answer, both exactly.
    ``frames_by_message`` counts all frames by the message's name, ``unknown_N`` where nobody tells what message N is.
    ``start`` and ``end`` are None where no such frame is."""

    run: int
    first_block: int
    last_block: int
    frames: int = 0
    raw_bytes: int = 0
    lost_bytes: int = 0
    loss_events: int = 0
    start: RunStart | None = None
    end: RunEnd | None = None
    sensor_frames_lost: int = 0
    sensor_silent: int = 0
    frames_by_message: dict[str, int] = field(default_factory=dict)

    def add(self, frame: Frame) -> None:
        """Count one frame of the run; its message is for others to name."""
        self.first_block = min(self.first_block, frame.block_number)
        self.last_block = max(self.last_block, frame.block_number)
        self.frames += 1
        if frame.code in (Raw.CODE, RawMore.CODE):
            self.raw_bytes += len(frame.payload)
        elif frame.code in (Loss.CODE, RunStart.CODE, RunEnd.CODE):
            record = frame.record()[1]
            if isinstance(record, Loss):
                self._add_loss(record)
            elif isinstance(record, RunStart):
                self.start = record
            elif isinstance(record, RunEnd):
                self.end = record

    def _add_loss(self, loss: Loss) -> None:
        if loss.cause in LINE_BYTES_EXACT:
            self.lost_bytes += loss.count
        elif loss.cause is LossCause.SENSOR_ROOM:
            self.sensor_frames_lost += loss.count
        elif loss.cause is LossCause.SENSOR_SILENT:
            self.sensor_silent += loss.count
        else:
            self.loss_events += loss.count
