"""Raw integers out of rows of bytes, in either byte order."""

from __future__ import annotations

from typing import Literal

import numpy as np

from offtake.dialects.bulk.buffer import Bytes, Ints, Words

_WORD_BITS = 64


def unsigned(rows: Bytes, bit: int, bits: int, order: Literal["little", "big"]) -> Words:
    """The ``bits`` (1 to 64) from ``bit`` on of every row, the first (big) or last (little) byte being the highest.

    ``rows`` has shape (n, width). In little-endian order ``bit`` and ``bits`` are whole bytes.
    """
    if order == "little":
        return _little(rows, bit // 8, bits // 8)
    first, last = bit // 8, (bit + bits + 7) // 8
    value = np.zeros(len(rows), np.uint64)
    for column in range(first, min(last, first + 8)):
        value = value << np.uint64(8) | rows[:, column]
    below = 8 * min(last, first + 8) - bit - bits
    if below >= 0:
        value >>= np.uint64(below)
    else:
        # Nine bytes: the highest bits of the first one fall out at the top, where they belong to the field before.
        value = value << np.uint64(-below) | (rows[:, last - 1] >> np.uint8(8 + below))
    return value & np.uint64(2**bits - 1)


def _little(rows: Bytes, at: int, size: int) -> Words:
    if size in (1, 2, 4, 8) and len(rows):
        numbers = np.ndarray((len(rows),), f"<u{size}", rows.data, at, (rows.shape[1],))
        return numbers.astype(np.uint64)
    value = np.zeros(len(rows), np.uint64)
    for column in reversed(range(at, at + size)):
        value = value << np.uint64(8) | rows[:, column]
    return value


def signed(values: Words, bits: int) -> Ints:
    """Two's complement of ``bits`` each."""
    if bits == _WORD_BITS:
        return values.view(np.int64)
    half = np.int64(1 << bits - 1)
    return (values.view(np.int64) ^ half) - half


def sign_magnitude(values: Words, bits: int) -> Ints:
    """The highest bit of ``bits`` is the sign, the others are the magnitude."""
    half = np.uint64(1 << bits - 1)
    magnitude = (values & (half - np.uint64(1))).view(np.int64)
    return np.where(values >= half, -magnitude, magnitude)


def shifted_rows(rows: Bytes, shifts: Ints) -> Bytes:
    """Every row moved ahead by its number of bits (0 to 7), so that what begins inside its first byte begins with it.

    The last column serves to fill the one before and is left out: shape (n, width - 1).
    """
    high = shifts.astype(np.uint16)[:, np.newaxis]
    pairs = rows[:, :-1].astype(np.uint16) << np.uint16(8) | rows[:, 1:]
    return np.ascontiguousarray((pairs << high >> np.uint16(8)).astype(np.uint8))
