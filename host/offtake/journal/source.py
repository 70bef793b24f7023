"""Where a journal's bytes come from."""

from __future__ import annotations

from typing import Protocol


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
