"""Where a journal's bytes come from."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from offtake.generated.records import BLOCK_SIZE

CHUNK_BLOCKS = 256
"""Blocks read at once where nothing else is asked for: 128 KiB."""


class ByteSource(Protocol):
    """Bytes by offset. An opened file, image or card of :mod:`offtake.card` is one."""

    @property
    def size(self) -> int:
        """Bytes in all."""

    def read(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset`` on; fewer than ``length`` only at the end."""


class BytesSource:
    """A journal held in memory."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.size = len(data)

    def read(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset`` on; fewer than ``length`` only at the end."""
        return self._data[offset : offset + length]


def read_blocks(
    source: ByteSource, first: int, stop: int, at_once: int = CHUNK_BLOCKS
) -> Iterator[tuple[int, bytes]]:
    """Each block's position and bytes, from position ``first`` up to ``stop``, ``at_once`` blocks in memory.

    The last block of a source that ends inside it is short. A source that returns less than its size promised ends
    there.
    """
    position = first
    while position < stop:
        count = min(at_once, stop - position)
        data = source.read(position * BLOCK_SIZE, count * BLOCK_SIZE)
        for at in range(0, len(data), BLOCK_SIZE):
            yield position + at // BLOCK_SIZE, data[at : at + BLOCK_SIZE]
        if len(data) < count * BLOCK_SIZE:
            return
        position += count
