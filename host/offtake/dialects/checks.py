"""The checks that dialects frame their messages with."""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from itertools import accumulate
from operator import xor
from typing import NamedTuple

import crcmod  # type: ignore[import-untyped]
import numpy as np

# Above this many bytes NumPy's sums are faster than Python's.
_LONG = 400


class Check(NamedTuple):
    """A check's size in bytes and its function, which returns the number as stored big-endian."""

    size: int
    compute: Callable[[bytes], int]


def fletcher8(data: bytes) -> int:
    """Two sums modulo 256: of the bytes, and of the sums so far; the first one is the higher byte.

    Plain 8-bit wrap, not the modulo 255 of RFC 1145 and 1146.
    """
    if len(data) > _LONG:
        sums = np.cumsum(np.frombuffer(data, np.uint8), dtype=np.uint64)
        return (int(sums[-1]) & 0xFF) << 8 | int(sums.sum()) & 0xFF
    return (sum(data) & 0xFF) << 8 | sum(accumulate(data)) & 0xFF


def xor8(data: bytes) -> int:
    """The exclusive or of all bytes."""
    return reduce(xor, data, 0)


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


CHECKS: dict[str, Check] = {
    "xor8": Check(1, xor8),
    "sum8": Check(1, _sum8),
    "fletcher8": Check(2, fletcher8),
    "crc16_ibm3740": Check(2, crcmod.mkCrcFun(0x11021, initCrc=0xFFFF, rev=False, xorOut=0)),
    "crc16_xmodem": Check(2, crcmod.mkCrcFun(0x11021, initCrc=0, rev=False, xorOut=0)),
    "crc24q": Check(3, crcmod.mkCrcFun(0x1864CFB, initCrc=0, rev=False, xorOut=0)),
    "crc32": Check(4, crcmod.mkCrcFun(0x104C11DB7, initCrc=0, rev=True, xorOut=0xFFFFFFFF)),
}
"""By the name a dialect gives."""
