"""Streams for tests: chunks as the windows that a journal gives them in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from offtake.dialects.stream import StreamChunk
from offtake.journal.bulk.stream import StreamWindow


def windows_of(chunks: Iterable[StreamChunk], at_least: int = 1) -> Iterator[StreamWindow]:
    """``chunks`` in windows of at least so many bytes, but for the last one."""
    waiting: list[StreamChunk] = []
    offset = 0
    for chunk in chunks:
        waiting.append(chunk)
        if sum(len(one.data) for one in waiting) >= at_least:
            yield _window(waiting, offset)
            offset += sum(len(one.data) for one in waiting)
            waiting = []
    if waiting:
        yield _window(waiting, offset)


def _window(chunks: list[StreamChunk], offset: int) -> StreamWindow:
    sizes = np.array([len(one.data) for one in chunks], dtype=np.int64)
    return StreamWindow(
        offset,
        b"".join(one.data for one in chunks),
        offset + np.cumsum(sizes) - sizes,
        np.array([one.tick_us for one in chunks], dtype=np.int64),
        np.array([one.after_loss for one in chunks], dtype=np.bool_),
    )
