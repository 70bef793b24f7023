"""Cyclic redundancy checks of many stretches of one array, in time linear in the array however the stretches overlap.

A CRC is linear over its bytes: the register after a stretch follows from the registers after its ends, run from the
array's start, and from what so many zero bytes do to a register. The registers after every byte come from cutting the
array into rows and running all rows at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import isqrt

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bytes, Ints

Registers = NDArray[np.uint32]

_ROW_MIN = 64
# Rows longer than this cost more calls than they save rows.
_ROW_MAX = 4096
# Counts of zero bytes are taken in hexadecimal digits.
_DIGIT = 4
_DIGIT_MAX = 15


@dataclass(frozen=True)
class Crc:
    """A CRC of ``width`` bits (8 to 32); ``poly`` is written with the highest power first, without that of ``width``.

    A ``reflected`` one takes each byte's lowest bit first, and its register is kept mirrored.
    """

    width: int
    poly: int
    init: int
    reflected: bool
    final_xor: int

    def compute(self, data: Bytes, starts: Ints, ends: Ints) -> NDArray[np.uint64]:
        """The CRC of each stretch from ``starts`` to ``ends`` (exclusive), shape (len(starts),)."""
        if not starts.size:
            return np.zeros(0, np.uint64)
        prefix = _Prefix(self, data)
        # A register is linear in its start value and in the bytes: run from zero, then add what the start value does.
        before = prefix.at(starts) ^ np.uint32(self.init)
        registers = prefix.at(ends) ^ self.shift(before, ends - starts)
        return (registers ^ np.uint32(self.final_xor)).astype(np.uint64)

    def step(self, registers: Registers, values: Bytes) -> Registers:
        """The registers after one more byte each."""
        if self.reflected:
            out, rest = (registers ^ values) & np.uint32(0xFF), registers >> np.uint32(8)
        else:
            out = registers >> np.uint32(self.width - 8) ^ values
            rest = registers << np.uint32(8) & np.uint32(2**self.width - 1)
        after: Registers = self._table[out] ^ rest
        return after

    def shift(self, registers: Registers, counts: Ints) -> Registers:
        """The registers after ``counts`` zero bytes each."""
        shifted = registers
        for place in range((int(counts.max(initial=0)).bit_length() + _DIGIT - 1) // _DIGIT):
            digits = counts >> _DIGIT * place & _DIGIT_MAX
            shifted = _apply(self._zeros(place), digits, shifted)
        return shifted

    @cached_property
    def _table(self) -> Registers:
        table = np.zeros(256, np.uint32)
        for byte in range(256):
            register = byte if self.reflected else byte << self.width - 8
            for _ in range(8):
                register = self._bit(register)
            table[byte] = register
        return table

    def _bit(self, register: int) -> int:
        if self.reflected:
            mirrored = int(f"{self.poly:0{self.width}b}"[::-1], 2)
            return register >> 1 ^ (mirrored if register & 1 else 0)
        high = register >> self.width - 1
        shifted = register << 1 & (1 << self.width) - 1
        return shifted ^ (self.poly if high else 0)

    @cached_property
    def _zero_tables(self) -> list[Registers]:
        return []

    def _zeros(self, place: int) -> Registers:
        """What d * 16^place zero bytes do to each of a register's four bytes: shape (16, 4, 256), d first."""
        known = self._zero_tables
        while len(known) <= place:
            parts = np.arange(256, dtype=np.uint32) << np.arange(0, 32, 8, dtype=np.uint32)[:, np.newaxis]
            tables = [parts & np.uint32(2**self.width - 1)]
            for _ in range(_DIGIT_MAX):
                tables.append(self._after_more(known, tables[-1]))
            known.append(np.stack(tables))
        return known[place]

    def _after_more(self, known: list[Registers], registers: Registers) -> Registers:
        """``registers`` after 16^len(known) more zero bytes: 15 and 1 times a sixteenth of them."""
        if not known:
            return self.step(registers, np.zeros(1, np.uint8))
        fifteen, one = np.int64(_DIGIT_MAX), np.int64(1)
        return _apply(known[-1], one, _apply(known[-1], fifteen, registers))


def _apply(tables: Registers, digits: Ints | np.int64, registers: Registers) -> Registers:
    parts = [tables[digits, index, registers >> np.uint32(8 * index) & np.uint32(0xFF)] for index in range(4)]
    applied: Registers = parts[0] ^ parts[1] ^ parts[2] ^ parts[3]
    return applied


class _Prefix:
    """Registers after every byte of ``data``, run from zero."""

    def __init__(self, crc: Crc, data: Bytes) -> None:
        self._crc = crc
        # A power of two near the square root: as many rows as there are bytes in one.
        self._row = min(max(1 << isqrt(data.size).bit_length() - 1, _ROW_MIN), _ROW_MAX)
        count = data.size // self._row + 1
        padded = np.zeros(count * self._row, np.uint8)
        padded[: data.size] = data
        columns = np.ascontiguousarray(padded.reshape(count, self._row).T)
        # Row by row from zero: states[i, r] is the register after the first i bytes of row r.
        states = np.zeros((self._row + 1, count), np.uint32)
        for index in range(self._row):
            states[index + 1] = crc.step(states[index], columns[index])
        self._states = states
        self._carried = self._carry(states[-1])

    def _carry(self, row_ends: Registers) -> Registers:
        """The register at each row's start, with all rows before it: doubling the reach until it covers all."""
        carried = np.zeros(row_ends.size, np.uint32)
        carried[1:] = row_ends[:-1]
        reach = 1
        while reach < carried.size:
            earlier = carried[:-reach]
            zeros = np.full(earlier.size, self._row * reach)
            carried = np.concatenate([carried[:reach], carried[reach:] ^ self._crc.shift(earlier, zeros)])
            reach *= 2
        return carried

    def at(self, positions: Ints) -> Registers:
        """The register after the first ``positions`` bytes each."""
        rows, columns = np.divmod(positions, self._row)
        return self._states[columns, rows] ^ self._crc.shift(self._carried[rows], columns)
