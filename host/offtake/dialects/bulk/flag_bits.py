"""Flags of all bytes of a buffer, packed: how many are set before a place."""

from __future__ import annotations

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Ints, Words

_WORD_BITS, _WORD_SHIFT = 64, 6


class FlagBits:
    """One flag for each byte."""

    def __init__(self, flags: Bools) -> None:
        bits = np.packbits(flags, bitorder="little")
        padded = np.zeros((flags.size // _WORD_BITS + 1) * 8, np.uint8)
        padded[: bits.size] = bits
        self._words: Words = padded.view("<u8")
        self._counts = np.zeros(self._words.size + 1, np.int64)
        np.cumsum(np.bitwise_count(self._words), out=self._counts[1:])

    def before(self, places: Ints) -> Ints:
        """How many flags are set before each place."""
        word, below = places >> _WORD_SHIFT, (places & _WORD_BITS - 1).astype(np.uint64)
        rest = self._words[word] & (np.uint64(1) << below) - np.uint64(1)
        counts: Ints = self._counts[word] + np.bitwise_count(rest)
        return counts
