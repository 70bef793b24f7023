"""A run's chunks frame by frame: slow, plain, and what the windows of journal/bulk/stream.py must equal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from offtake.dialects.stream import StreamChunk
from offtake.generated.records import Loss, LossCause, Raw, RawMore, RunStart
from offtake.journal.frames import Frame
from offtake.journal.twins import Twins
from scalar_frames import timed_frames

CHUNK_BYTES_MAX = 4096
LOST_BYTES = (LossCause.RING_FULL, LossCause.OVERRUN, LossCause.SETTINGS, LossCause.CARD)


def scalar_chunks(frames: Iterable[Frame]) -> Iterator[StreamChunk]:
    """Join one run's frames, in order, to chunks."""
    twins = Twins()
    lost = False
    open_chunk: tuple[int, bytearray, bool] | None = None
    for number, (tick_us, frame) in enumerate(timed_frames(frames)):
        lost = lost or ((frame.after_damage or number == 0) and frame.code != RunStart.CODE)
        if frame.code == Loss.CODE:
            record = frame.record()[1]
            lost = lost or (isinstance(record, Loss) and record.cause in LOST_BYTES)
        if frame.code not in (Raw.CODE, RawMore.CODE):
            continue
        data = frame.payload[twins.already_seen(frame) :]
        if not data:
            continue
        if open_chunk and (frame.code == Raw.CODE or lost or len(open_chunk[1]) >= CHUNK_BYTES_MAX):
            yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])
            open_chunk = None
        if open_chunk is None:
            open_chunk = (tick_us, bytearray(), lost)
            lost = False
        open_chunk[1].extend(data)
    if open_chunk:
        yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])
