"""A run's receiver bytes as a stream of timed chunks, for the decoder and the exports."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.dialects.stream import StreamChunk
from offtake.journal.bulk.stream import StreamWindow, chunks_of_windows, stream_windows
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage


def run_windows(journal: Journal, run: int) -> Iterator[StreamWindow]:
    """The receiver's bytes of ``run`` from the journal's intact blocks; see :func:`stream_windows`."""
    return stream_windows(journal.frame_tables(run))


def salvaged_windows(salvage: Salvage, run: int) -> Iterator[StreamWindow]:
    """The receiver's bytes of ``run`` from everything salvaged; on an intact journal the same as ``run_windows``."""
    return stream_windows(salvage.frame_tables(run))


def run_chunks(journal: Journal, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from the journal's intact blocks, chunk by chunk."""
    return chunks_of_windows(run_windows(journal, run))


def salvaged_chunks(salvage: Salvage, run: int) -> Iterator[StreamChunk]:
    """The receiver's bytes of ``run`` from everything salvaged, chunk by chunk."""
    return chunks_of_windows(salvaged_windows(salvage, run))
