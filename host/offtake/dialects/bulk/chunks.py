"""A stretch of a run's stream with the chunks that it came in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Ints


class Chunks(Protocol):
    """Some bytes of the stream, k chunks, as ``offtake.journal.bulk.stream`` gives them.

    ``offset`` is the stream offset of the first byte of ``data``, ``chunk_offset`` (i64, shape (k,)) those of the first
    bytes of the chunks, ``chunk_tick_us`` (i64) when these came, in microseconds since power-up; ``chunk_lost`` (bool)
    says that bytes were lost just before.
    """

    @property
    def offset(self) -> int:
        """Where in the stream it begins."""

    @property
    def data(self) -> bytes:
        """The bytes."""

    @property
    def chunk_offset(self) -> Ints:
        """Where in the stream the chunks begin."""

    @property
    def chunk_tick_us(self) -> Ints:
        """When they came."""

    @property
    def chunk_lost(self) -> Bools:
        """Whether bytes were lost just before."""


@dataclass(frozen=True)
class _Some:
    """Chunks that several windows held, or a part of one."""

    offset: int
    data: bytes
    chunk_offset: Ints
    chunk_tick_us: Ints
    chunk_lost: Bools


def joined(windows: Sequence[Chunks]) -> Chunks:
    """Return one or more ``windows`` that follow one another as one."""
    if len(windows) == 1:
        return windows[0]
    return _Some(
        windows[0].offset,
        b"".join(one.data for one in windows),
        np.concatenate([one.chunk_offset for one in windows]),
        np.concatenate([one.chunk_tick_us for one in windows]),
        np.concatenate([one.chunk_lost for one in windows]),
    )


def halves(chunks: Chunks) -> Iterator[Chunks]:
    """The first and the other half of two or more chunks."""
    middle = chunks.chunk_offset.size // 2
    cut = int(chunks.chunk_offset[middle])
    data = memoryview(chunks.data)
    for places, offset, part in (
        (slice(None, middle), chunks.offset, data[: cut - chunks.offset]),
        (slice(middle, None), cut, data[cut - chunks.offset :]),
    ):
        yield _Some(
            offset, bytes(part), chunks.chunk_offset[places], chunks.chunk_tick_us[places], chunks.chunk_lost[places]
        )
