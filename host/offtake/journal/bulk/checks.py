"""CRC-32 over many stretches of one window: short ones all at once in NumPy, long ones each by zlib.

zlib takes about as long to be called as to go over a few hundred bytes; the short frames of sensors would take far
longer to check than everything else that is done with them.
"""

from __future__ import annotations

import zlib
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from offtake.journal.bulk.arrays import Ints

if TYPE_CHECKING:
    from offtake.dialects.bulk.crc import Crc

Registers = NDArray[np.uint32]

_FLIP = np.uint32(0xFFFFFFFF)
# A step of four bytes, and so many of them fetched together.
_STEP = 4
_PIECE_STEPS = 4
_PIECE = _STEP * _PIECE_STEPS
# From so many bytes on a call of zlib is cheaper; and so few stretches are not worth the trouble.
_SHORT_MAX = 200
_SHORT_COUNT_MIN = 256


def crc32_of(data: bytes, starts: Ints, ends: Ints, seeds: Registers) -> Registers:
    """The CRC-32 of each stretch of ``data`` from ``starts`` to ``ends`` (exclusive), continued from ``seeds`` (the
    CRC-32 of what comes before it), all of shape (n,). Every stretch must lie wholly inside."""
    sizes = ends - starts
    # Whole pieces are fetched: what lies so near to the end that one would reach past it counts as long.
    ranked = np.where(ends > len(data) - _PIECE, _SHORT_MAX + 1, sizes)
    # The longest first, so that those that go on are always the first ones.
    order = np.argsort((-np.minimum(ranked, _SHORT_MAX + 1)).astype(np.int16), kind="stable")
    by_one = int(np.count_nonzero(ranked > _SHORT_MAX))
    if starts.size - by_one < _SHORT_COUNT_MIN:
        return _by_zlib(data, starts, ends, seeds)
    found = np.empty(starts.size, np.uint32)
    long, short = order[:by_one], order[by_one:]
    found[long] = _by_zlib(data, starts.take(long), ends.take(long), seeds.take(long))
    found[short] = _at_once(data, starts.take(short), sizes.take(short), seeds.take(short))
    return found


def seeds_of(journal_id: int, numbers: Ints) -> Registers:
    """:func:`offtake.journal.codec.frame_seed` of many block numbers, shape (n,)."""
    register = np.uint32(zlib.crc32(journal_id.to_bytes(4, "little"))) ^ _FLIP
    seeds: Registers = _after_four(register ^ numbers.astype(np.uint32)) ^ _FLIP
    return seeds


def _by_zlib(data: bytes, starts: Ints, ends: Ints, seeds: Registers) -> Registers:
    crc32 = zlib.crc32
    stretches = zip(starts.tolist(), ends.tolist(), seeds.tolist(), strict=True)
    return np.array([crc32(data[start:end], seed) for start, end, seed in stretches], np.uint32)


def _at_once(data: bytes, places: Ints, sizes: Ints, seeds: Registers) -> Registers:
    """CRCs of stretches that begin at ``places``, the longest first."""
    steps = sizes // _STEP
    rest = sizes - steps * _STEP
    registers = seeds ^ _FLIP
    # Of those left after each step.
    going = np.searchsorted(-steps, -np.arange(1, int(steps[0]) + _PIECE_STEPS), "right").tolist()
    pieces = np.ndarray((len(data) - _PIECE + 1,), f"V{_PIECE}", data, 0, (1,))
    for step in range(0, int(steps[0]), _PIECE_STEPS):
        # Fetching costs much the same for four bytes and for sixteen.
        words = pieces[places[: going[step]] + step * _STEP].view("<u4").reshape(-1, _PIECE_STEPS)
        for index in range(_PIECE_STEPS):
            count = going[step + index]
            registers[:count] = _after_four(registers[:count] ^ words[:count, index])
    octets = np.frombuffer(data, np.uint8)
    tails = places + steps * _STEP
    for index in range(_STEP - 1):
        left = np.flatnonzero(rest > index)
        registers[left] = _crc32().step(registers.take(left), octets.take(tails.take(left) + index))
    return registers ^ _FLIP


def _after_four(registers: Registers) -> Registers:
    """The registers, with four bytes xored into them, after these."""
    halves = registers.view("<u2").reshape(-1, 2)
    first, second = _tables()
    after: Registers = first.take(halves[:, 0]) ^ second.take(halves[:, 1])
    return after


@cache
def _tables() -> tuple[Registers, Registers]:
    """What four bytes do to each value of a register's lower, and of its upper, sixteen bits."""
    values = np.arange(2**16, dtype=np.uint32)
    nothing = np.zeros(values.size, np.uint8)
    step = _crc32().step
    upper = step(step(values, nothing), nothing)
    return step(step(upper, nothing), nothing), upper


@cache
def _crc32() -> Crc:
    # A tenth of a second of imports that nobody needs who has the compiled kernels.
    from offtake.dialects.bulk.crc import Crc

    return Crc(width=32, poly=0x04C11DB7, init=0xFFFFFFFF, reflected=True, final_xor=0xFFFFFFFF)
