"""A window of the stream as an array, padded so that the kernels may read a little beyond both of its ends."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Words = NDArray[np.uint64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

WORD = 8
"""Bytes that :meth:`Buffer.words_before` reads at once."""


class Buffer:
    """``size`` bytes of a stream: ``bytes`` has them, followed by a few zeros.

    It holds a copy of ``before`` and ``data``, so that the caller's memory may change or go.
    """

    def __init__(self, data: bytes | bytearray | memoryview | Bytes, before: bytes = b"") -> None:
        source = data if isinstance(data, np.ndarray) else np.frombuffer(data, np.uint8)
        at, self.size = WORD + len(before), len(before) + source.size
        padded = np.empty(WORD + self.size + WORD, np.uint8)
        padded[:WORD] = padded[WORD + self.size :] = 0
        padded[WORD:at] = np.frombuffer(before, np.uint8)
        padded[at : WORD + self.size] = source
        self._padded: Bytes = padded
        self.bytes: Bytes = padded[WORD:]
        # A word begins at every byte: overlapping views cost nothing, one gather then fetches eight bytes.
        self._words: Words = np.ndarray((padded.size - WORD + 1,), "<u8", padded.data, 0, (1,))

    def words_before(self, ends: Ints) -> Words:
        """The eight bytes before each of ``ends`` (0 to ``size``); the last of them is the word's highest byte."""
        return self._words[ends]

    def bytes_before(self, ends: Ints, distance: int) -> Bytes:
        """The byte ``distance`` (1 to 8) before each of ``ends`` (0 to ``size``)."""
        return self._padded[WORD - distance :][ends]

    def rows(self, starts: Ints, width: int) -> Bytes:
        """``width`` bytes from each of ``starts`` on, shape (len(starts), width), contiguous.

        Every row must end at or before ``size``.
        """
        if not starts.size or not width:
            return np.zeros((starts.size, width), np.uint8)
        items = self.bytes.size - width + 1
        views = np.ndarray((items,), f"V{width}", self.bytes.data, 0, (1,))
        return views[starts].view(np.uint8).reshape(starts.size, width)

    def cut(self, start: int, end: int) -> bytes:
        """The bytes from ``start`` to ``end``."""
        return self.bytes[start:end].tobytes()
