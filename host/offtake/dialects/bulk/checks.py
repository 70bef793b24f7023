"""The checks of :mod:`offtake.dialects.checks` over many stretches of one buffer at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from offtake.dialects.bulk.buffer import Buffer, Bytes, Ints, Words
from offtake.dialects.bulk.crc import Crc

Kernel = Callable[[Buffer, Ints, Ints], Words]
"""The check of each stretch from start to end (exclusive), as the number that is stored big-endian.

Starts rise. Stretches may overlap: a hostile stream is full of false starts that claim long payloads.
"""


def xor8(buffer: Buffer, starts: Ints, ends: Ints) -> Words:
    """The exclusive or of all bytes."""
    return _reduce(np.bitwise_xor, buffer.bytes, starts, ends).astype(np.uint64)


def sum8(buffer: Buffer, starts: Ints, ends: Ints) -> Words:
    """The sum of all bytes modulo 256."""
    return _reduce(np.add, buffer.bytes, starts, ends).astype(np.uint64)


def fletcher8(buffer: Buffer, starts: Ints, ends: Ints) -> Words:
    """Two sums modulo 256: of the bytes, and of the sums so far.

    A byte counts in the second sum once for each byte from it to the end, so that sum is the end's position times the
    first sum less the bytes weighted by their positions.
    """
    if not starts.size:
        return np.zeros(0, np.uint64)
    first = _reduce(np.add, buffer.bytes, starts, ends)
    weighted = _reduce(np.add, _by_position(buffer.bytes), starts, ends)
    second = ends.astype(np.uint8) * first - weighted
    return first.astype(np.uint64) << np.uint64(8) | second.astype(np.uint64)


def _by_position(data: Bytes) -> Bytes:
    """Every byte times its position, modulo 256."""
    places = np.arange(256, dtype=np.uint8)
    weighted = np.empty_like(data)
    whole = data.size // 256 * 256
    np.multiply(data[:whole].reshape(-1, 256), places, out=weighted[:whole].reshape(-1, 256))
    np.multiply(data[whole:], places[: data.size - whole], out=weighted[whole:])
    return weighted


def _reduce(operation: np.ufunc, data: Bytes, starts: Ints, ends: Ints) -> Bytes:
    """``operation`` over each stretch, modulo 256: stretch by stretch, or by differences of running results when the
    stretches overlap so much that this would take longer."""
    if not starts.size:
        return np.zeros(0, np.uint8)
    lengths = ends - starts
    if int(lengths.sum()) <= 2 * data.size:
        pairs = np.stack([starts, ends], axis=1).ravel()
        results: Bytes = operation.reduceat(data, pairs, dtype=np.uint8)[::2]
        return np.where(lengths > 0, results, np.uint8(0))
    running = np.zeros(data.size + 1, np.uint8)
    operation.accumulate(data, dtype=np.uint8, out=running[1:])
    if operation is np.bitwise_xor:
        return running[ends] ^ running[starts]
    return running[ends] - running[starts]


def _crc(crc: Crc) -> Kernel:
    def compute(buffer: Buffer, starts: Ints, ends: Ints) -> Words:
        """Only what the stretches cover is run through: in most streams that is little."""
        if not starts.size:
            return np.zeros(0, np.uint64)
        reach = np.maximum.accumulate(ends)
        opens = np.concatenate([[True], starts[1:] > reach[:-1]])
        firsts, lasts = starts[opens], reach[np.concatenate([opens[1:], [True]])]
        covered = np.concatenate([buffer.bytes[one:other] for one, other in zip(firsts, lasts, strict=True)])
        placed = np.concatenate([[0], np.cumsum(lasts - firsts)[:-1]])
        moved = (placed - firsts)[np.cumsum(opens) - 1]
        return crc.compute(covered, starts + moved, ends + moved)

    return compute


KERNELS: dict[str, Kernel] = {
    "xor8": xor8,
    "sum8": sum8,
    "fletcher8": fletcher8,
    "crc16_ibm3740": _crc(Crc(16, 0x1021, 0xFFFF, False, 0)),
    "crc16_xmodem": _crc(Crc(16, 0x1021, 0, False, 0)),
    "crc24q": _crc(Crc(24, 0x864CFB, 0, False, 0)),
    "crc32": _crc(Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, 0xFFFFFFFF)),
}
"""By the name a dialect gives; the same names as :data:`offtake.dialects.checks.CHECKS`."""
