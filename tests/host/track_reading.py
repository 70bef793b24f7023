"""A whole stream as a track, as the verbs read it: its epochs, and all of them on one time line."""

from __future__ import annotations

from collections.abc import Iterable

from offtake.journal.bulk.stream import StreamWindow
from offtake.track.build import EpochReader, track_of
from offtake.track.bulk.batch import EpochBatch
from offtake.track.fix import Track


def read_track(windows: Iterable[StreamWindow], *, baud: int, run: int) -> Track:
    """The track of run number ``run``, whose stream was sent at ``baud``."""
    reader = EpochReader(baud=baud, run=run)
    epochs = EpochBatch.concat(list(reader.batches(windows)))
    return track_of(epochs, run, reader.counts, reader.notes)
