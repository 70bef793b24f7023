"""Columns of text between separators, many at once: where they lie, and the digits in them.

Eight characters are read as one 64-bit number and turned into a value by three multiplications, so that a column costs
a fixed number of array operations. What these kernels do not handle (more than eight digits in a row, values outside
their range, wrong letters) is not an error here: it is left to the streaming decoder's converters, row by row.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import WORD, Bools, Buffer, Bytes, Ints, Words
from offtake.dialects.bulk.columns import run_places

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
_ZERO = np.uint8(ord("0"))
_FEW = 3


def _hex_values() -> Ints:
    table = np.full(256, -1, np.int64)
    for value, digit in enumerate("0123456789ABCDEF"):
        table[ord(digit)] = table[ord(digit.lower())] = value
    return table


HEX = _hex_values()
"""The value of each character as a hexadecimal digit, -1 where it is none."""
# Whole numbers below this are exact in a float64.
EXACT = np.int64(2**53)


class Cells(NamedTuple):
    """Text from ``begin`` to ``end`` (exclusive) of a buffer, ``lengths`` characters each."""

    begin: Ints
    end: Ints
    lengths: Ints


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
        self._cells: dict[int, Cells] = {}

    def chosen(self, rows: Ints) -> Rows:
        """Some of the rows."""
        return Rows(self.buffer, self.ends, self.first[rows], self.last[rows])

    def cells(self, column: int) -> Cells:
        """Column ``column`` (from 1) of all rows; empty where a row does not have it."""
        if column not in self._cells:
            begin, end = self._end(column - 1) + 1, self._end(column)
            if column > self._complete:
                begin = np.where(self.first + column > self.last, end, begin)
            # A kernel asks for its column several times, and for no other one.
            self._cells = {column: Cells(begin, end, end - begin)}
        return self._cells[column]

    @property
    def size(self) -> int:
        """How many they are."""
        return self.first.size

    def moved(self, columns: Ints) -> Rows:
        """The same with all columns that many further back: of each sentence as if that many more stood before."""
        return Rows(self.buffer, self.ends, self.first - columns, self.last)

    def has_any(self, column: int) -> bool:
        """Whether any row has something in ``column``."""
        return bool(self.length(column).any())

    def absent(self, column: int) -> Bools:
        """Which rows have nothing in ``column``."""
        absent: Bools = self.length(column) == 0
        return absent

    def length(self, column: int) -> Ints:
        """The characters of ``column``."""
        return self.cells(column).lengths

    def characters(self, column: int) -> tuple[Ints, Bytes]:
        """How many characters each row has in ``column``, and all of them one after the other."""
        cells = self.cells(column)
        return cells.lengths, self.buffer.bytes[run_places(cells.begin, cells.lengths)]

    def single(self, column: int) -> tuple[Ints, Bools]:
        """The only character of ``column`` (0 where it is not a single one), and where it is empty."""
        begin, _, lengths = self.cells(column)
        return self.buffer.bytes[begin].astype(np.int64) * (lengths == 1), lengths == 0

    def digits(self, column: int) -> tuple[Ints, Bools]:
        """Decimal numbers (empty: 0), and where they are at most eight digits and nothing else."""
        return digits(self.buffer, self.cells(column))

    def whole(self, column: int, base: int) -> tuple[Ints, Bools]:
        """Whole numbers with or without a sign, and where they are one of at most eight digits."""
        return whole(self.buffer, self.cells(column), base)

    def wholes(self, column: int, count: int, base: int) -> tuple[Ints, Bools, Bools]:
        """Those of ``count`` columns, where they are empty and where they are sound, shape (n, count) each."""
        # Each row's columns one after the other, as if each were a row.
        first = (self.first[:, np.newaxis] + np.arange(count)).ravel()
        flat = Rows(self.buffer, self.ends, first, np.repeat(self.last, count))
        values, sound = flat.whole(column, base)
        shape = (self.size, count)
        return values.reshape(shape), flat.absent(column).reshape(shape), sound.reshape(shape)

    def numbers(self, column: int) -> tuple[Bools, Numbers]:
        """Where a minus stands first, and the numbers without their sign."""
        negative, bare = unsigned(self.buffer, self.cells(column))
        return negative, numbers(self.buffer, bare)

    def decimals(self, column: int) -> Decimals:
        """Digits with or without a decimal point; eight at most on each side of it."""
        return decimals(self.buffer, self.cells(column))

    def _end(self, column: int) -> Ints:
        """Where a column ends, or else the sentence. Each is the next one's beginning, so they are kept."""
        if column not in self._known:
            ordinals = self.first + column
            self._known[column] = self.ends[ordinals if column <= self._complete else np.minimum(ordinals, self.last)]
        return self._known[column]


def digits(buffer: Buffer, cells: Cells) -> tuple[Ints, Bools]:
    """Decimal numbers (empty: 0), and where they are at most eight digits and nothing else."""
    lengths = cells.lengths
    values, sound = _word_digits(buffer.words_before(cells.end), _KEEP[np.minimum(lengths, WORD)])
    return values, sound & (lengths <= WORD)


def _word_digits(words: Words, keep: Words) -> tuple[Ints, Bools]:
    """The characters of each word that ``keep`` masks as a number, and where they are digits."""
    word = (words ^ _ZEROS) & keep
    sound = (word + _SIXES | word) & _HIGH == 0
    word *= _PAIRS
    word >>= np.uint64(8)
    word &= _PAIRS_MASK
    word *= _FOURS
    word >>= np.uint64(16)
    word &= _FOURS_MASK
    word *= _EIGHTS
    word >>= np.uint64(32)
    return word.view(np.int64), sound


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
    units, sound = _word_digits(closed, _KEEP[count])
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
    fraction, fraction_sound = _word_digits(words, _KEEP[places])
    count = lengths - places - pointed
    whole, whole_sound = digits(buffer, Cells(cells.begin, cells.begin + count, count))
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
    begin, end, lengths = cells
    first = buffer.bytes[begin]
    negative = (first == ord("-")) & (lengths > 0)
    signed = negative | (first == ord("+")) & (lengths > 0)
    return negative, Cells(begin + signed, end, lengths - signed) if signed.any() else cells


def whole(buffer: Buffer, cells: Cells, base: int) -> tuple[Ints, Bools]:
    """Whole numbers with or without a sign (of base 16: without), and where they are one of at most eight digits."""
    if base == 16:
        return _hexadecimal(buffer, cells)
    number, sound = _digits(buffer, cells)
    # Signs are rare: most often there is nothing to look for.
    if sound.all():
        return number, cells.lengths > 0
    negative, bare = unsigned(buffer, cells)
    number, sound = _digits(buffer, bare)
    return np.where(negative, -number, number), sound & (bare.lengths > 0)


def _digits(buffer: Buffer, cells: Cells) -> tuple[Ints, Bools]:
    lengths = cells.lengths
    return _few_digits(buffer, cells.end, lengths) if lengths.max(initial=0) <= _FEW else digits(buffer, cells)


def _few_digits(buffer: Buffer, ends: Ints, lengths: Ints) -> tuple[Ints, Bools]:
    """Numbers of at most three characters: single bytes are fetched faster than words."""
    few = lengths.astype(np.uint8)
    number = np.zeros(ends.size, np.uint16)
    greatest = np.zeros(ends.size, np.uint8)
    for place in range(int(few.max(initial=0))):
        digit = (buffer.bytes_before(ends, place + 1) - _ZERO) * (few > place)
        greatest = np.maximum(greatest, digit)
        number += digit * np.uint16(10**place)
    return number.astype(np.int64), greatest < 10


def _hexadecimal(buffer: Buffer, cells: Cells) -> tuple[Ints, Bools]:
    lengths = cells.lengths
    if lengths.max(initial=0) <= 1:
        # The byte before an empty one is a separator, and no digit.
        digit = HEX[buffer.bytes_before(cells.end, 1)]
        return np.maximum(digit, 0), digit >= 0
    number, sound = np.zeros(lengths.size, np.int64), lengths <= WORD
    for index in range(min(int(lengths.max(initial=0)), WORD)):
        inside = index < lengths
        digit = np.where(inside, HEX[buffer.bytes[cells.begin + np.minimum(index, lengths)]], 0)
        number = np.where(inside, number << 4 | digit, number)
        sound &= digit >= 0
    return number, sound
