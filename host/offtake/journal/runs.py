"""What each recording in a journal holds, summed up from its frames."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from offtake.generated.records import Loss, LossCause, RunEnd, RunStart
from offtake.journal.kept import content, whole
from offtake.records import Record

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

    def add_counted(self, first_block: int, last_block: int, frames: int, raw_bytes: int) -> None:
        """Count many frames of the run, which lie in blocks from ``first_block`` to ``last_block`` and hold
        ``raw_bytes`` of the receiver; what its losses, start and end say is added one by one."""
        self.first_block = min(self.first_block, first_block)
        self.last_block = max(self.last_block, last_block)
        self.frames += frames
        self.raw_bytes += raw_bytes

    def add_record(self, record: Record | None) -> None:
        """Take in what a frame that :meth:`add_counted` has counted says, where it is a loss, a start or an end."""
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

    def state(self) -> dict[str, Any]:
        """Everything but the messages' names, in plain values; see :func:`restored_run`."""
        numbers = {name: getattr(self, name) for name in _NUMBERS}
        ends = {name: None if record is None else record.encode().hex() for name, record in self._ends()}
        return {**numbers, **ends}

    def _ends(self) -> tuple[tuple[str, Record | None], ...]:
        return ("start", self.start), ("end", self.end)


_NUMBERS = ("run", "first_block", "last_block", "frames", "raw_bytes", "lost_bytes", "loss_events",
            "sensor_frames_lost", "sensor_silent")  # fmt: skip


def restored_run(state: Any) -> RunInfo:
    """The run that :meth:`RunInfo.state` gave. ValueError, TypeError or KeyError for anything else."""
    info = RunInfo(whole(state["run"]), whole(state["first_block"]), whole(state["last_block"]))
    for name in _NUMBERS:
        setattr(info, name, whole(state[name]))
    for name, message in (("start", RunStart), ("end", RunEnd)):
        record = None if state[name] is None else message.decode(content(state[name]))[1]
        if record is None and state[name] is not None:
            raise ValueError(f"no {message.NAME}")
        info.add_record(record)
    return info
