"""A run's receiver bytes as a stream of timed chunks, for the decoder and the exports."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from offtake.dialects.stream import StreamChunk
from offtake.generated.records import Loss, LossCause, Raw, RawMore, RunStart
from offtake.journal.clock import timed_frames
from offtake.journal.frames import Frame
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage
from offtake.journal.twins import Twins

# A saturated line never pauses: a joined chunk is passed on when it is this long.
_CHUNK_BYTES_MAX = 4096
_LOST_BYTES = (LossCause.RING_FULL, LossCause.OVERRUN, LossCause.SETTINGS, LossCause.CARD)


def run_chunks(journal: Journal, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from the journal's intact blocks; see :func:`chunks_of`."""
    return chunks_of(journal.frames(run))


def salvaged_chunks(salvage: Salvage, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from everything salvaged; on an intact journal the same as ``run_chunks``."""
    return chunks_of(salvage.frames(run))


def chunks_of(frames: Iterable[Frame]) -> Iterator[StreamChunk]:
    """Join one run's frames, in order, to chunks: a raw frame and what continues it are one.

    ``tick_us`` counts from power-up and is unwrapped; a frame whose tick is lost is given that of the byte before it.
    ``after_loss`` marks bytes that the logger counted lost and frames that damage took. Frames that were written
    twice, because the card refused a block it had in truth taken, come once, and so do copies of a block. Unknown
    messages are passed over.
    """
    twins = Twins()
    lost = False
    open_chunk: tuple[int, bytearray, bool] | None = None
    for number, (tick_us, frame) in enumerate(timed_frames(frames)):
        # A run that does not begin with its start has lost its beginning.
        lost = lost or ((frame.after_damage or number == 0) and frame.code != RunStart.CODE)
        if frame.code == Loss.CODE:
            record = frame.record()[1]
            lost = lost or (isinstance(record, Loss) and record.cause in _LOST_BYTES)
        if frame.code not in (Raw.CODE, RawMore.CODE):
            continue
        data = frame.payload[twins.already_seen(frame) :]
        if not data:
            continue
        if open_chunk and (frame.code == Raw.CODE or lost or len(open_chunk[1]) >= _CHUNK_BYTES_MAX):
            yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])
            open_chunk = None
        if open_chunk is None:
            open_chunk = (tick_us, bytearray(), lost)
            lost = False
        open_chunk[1].extend(data)
    if open_chunk:
        yield StreamChunk(open_chunk[0], bytes(open_chunk[1]), open_chunk[2])
