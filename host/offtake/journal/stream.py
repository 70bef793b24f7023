"""A run's receiver bytes as a stream of timed chunks, for the decoder and the exports."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.journal.bulk.stream import StreamWindow, stream_windows
from offtake.journal.salvage import Salvage


def salvaged_windows(salvage: Salvage, run: int) -> Iterator[StreamWindow]:
    """The receiver's bytes of ``run`` from everything salvaged; see :func:`stream_windows`."""
    return stream_windows(salvage.frame_tables(run))
