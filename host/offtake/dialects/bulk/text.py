"""Columns of text between separators, many at once: where they lie, and the digits in them.

Eight characters are read as one 64-bit number and turned into a value by three multiplications, so that a column costs
a fixed number of array operations. What these kernels do not handle (more than eight digits in a row, values outside
their range, wrong letters) is not an error here: it is left to the streaming decoder's converters, row by row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import WORD, Bools, Buffer, Ints, Words

_ZEROS = np.uint64(0x3030303030303030)
_SIXES = np.uint64(0x0606060606060606)
_HIGH = np.uint64(0xF0F0F0F0F0F0F0F0)
_POINTS = np.uint64(0x2E2E2E2E2E2E2E2E)
_LOW_BITS = np.uint64(0x7F7F7F7F7F7F7F7F)
# The last n bytes of a word.
_KEEP = np.array([(2**64 - 1) >> 8 * (8 - n) << 8 * (8 - n) for n in range(WORD + 1)], np.uint64)
_PAIRS, _PAIRS_MASK = np.uint64(10 * 2**8 + 1), np.uint64(0x00FF00FF00FF00FF)
_FOURS, _FOURS_MASK = np.uint64(100 * 2**16 + 1), np.uint64(0x0000FFFF0000FFFF)
_EIGHTS = np.uint64(10_000 * 2**32 + 1)
POWERS = 10 ** np.arange(WORD + 1, dtype=np.int64)
_POWERS_FLOAT = POWERS.astype(np.float64)
# Whole numbers below this are exact in a float64.
EXACT = np.int64(2**53)


class Cells(NamedTuple):
    """Text from ``begin`` to ``end`` (exclusive) of a buffer."""

    begin: Ints
    end: Ints

    @property
    def lengths(self) -> Ints:
        """Characters of each."""
        return self.end - self.begin


class Rows:
    """Sentences, or groups in sentences, of one buffer.

    ``ends`` are the places of all separators and check marks in the buffer. Row i's column k ends at the one numbered
    ``first[i] + k``, and there are no columns behind ``last[i]``.
    """

    def __init__(self, buffer: Buffer, ends: Ints, first: Ints, last: Ints) -> None:
        self.buffer = buffer
        self.ends = ends
        self.first = first
        self.last = last
        self._complete = int((last - first).min(initial=2**31))
        self._known: dict[int, Ints] = {}

    def chosen(self, rows: Ints) -> Rows:
        """Some of the rows."""
        return Rows(self.buffer, self.ends, self.first[rows], self.last[rows])

    def cells(self, column: int) -> Cells:
        """Column ``column`` (from 1) of all rows; empty where a row does not have it."""
        begin, end = self._end(column - 1) + 1, self._end(column)
        if column <= self._complete:
            return Cells(begin, end)
        return Cells(np.where(self.first + column > self.last, end, begin), end)

    def single(self, column: int) -> tuple[Ints, Bools]:
        """The only character of column ``column`` (0 where it is not a single one), and where it is empty."""
        begin, end = self.cells(column)
        lengths = end - begin
        return self.buffer.bytes[begin].astype(np.int64) * (lengths == 1), lengths == 0

    def _end(self, column: int) -> Ints:
        """Where a column ends, or else the sentence. Each is the next one's beginning, so they are kept."""
        if column not in self._known:
            ordinals = self.first + column
            self._known[column] = self.ends[ordinals if column <= self._complete else np.minimum(ordinals, self.last)]
        return self._known[column]


def digits(buffer: Buffer, cells: Cells) -> tuple[Ints, Bools]:
    """Decimal numbers (empty: 0), and where they are at most eight digits and nothing else."""
    lengths = cells.lengths
    values, sound = _digits(buffer.words_before(cells.end), lengths)
    return values, sound & (lengths <= WORD)


def _digits(words: Words, lengths: Ints) -> tuple[Ints, Bools]:
    """The last ``lengths`` characters of each word (at most all eight), and where they are digits."""
    word = (words ^ _ZEROS) & _KEEP[np.minimum(lengths, WORD)]
    sound = (word + _SIXES | word) & _HIGH == 0
    word = word * _PAIRS >> np.uint64(8) & _PAIRS_MASK
    word = word * _FOURS >> np.uint64(16) & _FOURS_MASK
    return (word * _EIGHTS >> np.uint64(32)).view(np.int64), sound


class Numbers(NamedTuple):
    """Decimal numbers without sign, ``units / POWERS[places]`` where ``sound``; ``units`` are below 2^53 there."""

    units: Ints
    places: Ints
    sound: Bools

    def values(self) -> NDArray[np.float64]:
        """The nearest float64: one division of exact whole numbers, correctly rounded."""
        values: NDArray[np.float64] = self.units / _POWERS_FLOAT[self.places]
        return values


def numbers(buffer: Buffer, cells: Cells) -> Numbers:
    """Digits with or without a decimal point; eight at most on each side of it."""
    lengths = cells.lengths
    if lengths.max(initial=0) > WORD:
        parts = decimals(buffer, cells)
        units = parts.whole * POWERS[parts.places] + parts.fraction
        return Numbers(units, parts.places, parts.sound & (units < EXACT))
    words = buffer.words_before(cells.end)
    pointed, places = _point(words, lengths)
    # Close the gap that the point leaves: what is before it moves up by a character.
    behind = _KEEP[places]
    closed = np.where(pointed, words & behind | words << np.uint64(8) & ~behind, words)
    count = lengths - pointed
    units, sound = _digits(closed, count)
    return Numbers(units, places, sound & (count > 0))


class Decimals(NamedTuple):
    """Decimal numbers without sign, ``whole + fraction / POWERS[places]`` where ``sound``.

    ``digits`` counts those before the point.
    """

    whole: Ints
    digits: Ints
    fraction: Ints
    places: Ints
    sound: Bools


def decimals(buffer: Buffer, cells: Cells) -> Decimals:
    """Digits with or without a decimal point; eight at most on each side of it."""
    lengths = cells.lengths
    words = buffer.words_before(cells.end)
    pointed, places = _point(words, lengths)
    # Eight places: then the point stands just before the word.
    far = ~pointed & (lengths > WORD)
    if far.any():
        far &= buffer.bytes[cells.end - np.where(far, WORD + 1, 1)] == ord(".")
        pointed, places = pointed | far, np.where(far, WORD, places)
    fraction, fraction_sound = _digits(words, places)
    count = lengths - places - pointed
    whole, whole_sound = digits(buffer, Cells(cells.begin, cells.begin + count))
    return Decimals(whole, count, fraction, places, whole_sound & fraction_sound & (count + places > 0))


def _point(words: Words, lengths: Ints) -> tuple[Bools, Ints]:
    """Where the last ``lengths`` characters of words have a decimal point, and how many stand behind it (else 0).

    Of several points it is the last one: then one of them stands among the digits and makes those unsound.
    """
    other = (words ^ _POINTS) | ~_KEEP[np.minimum(lengths, WORD)]
    # 0x80 in each byte that is a point.
    points = ~((other & _LOW_BITS) + _LOW_BITS | other | _LOW_BITS)
    pointed = points != 0
    # The highest of the flags: with everything below it set, its number counts the bits.
    for shift in (8, 16, 32):
        points |= points >> np.uint64(shift)
    behind = WORD - np.bitwise_count(points).astype(np.int64)
    return pointed, behind * pointed


def unsigned(buffer: Buffer, cells: Cells) -> tuple[Bools, Cells]:
    """Where a minus stands first, and the cells without their sign."""
    begin, end = cells
    first = buffer.bytes[begin]
    negative = (first == ord("-")) & (begin < end)
    signed = negative | (first == ord("+")) & (begin < end)
    return negative, Cells(begin + signed, end) if signed.any() else cells
