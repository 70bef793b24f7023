"""Sentences of one dialect in a buffer: those whose checksum is right, and the one that the buffer's end cuts."""

from __future__ import annotations

import numpy as np

from offtake.dialects.bulk.bits import unsigned
from offtake.dialects.bulk.buffer import Bools, Buffer, Bytes, Ints
from offtake.dialects.bulk.checks import KERNELS
from offtake.dialects.bulk.flag_bits import FlagBits
from offtake.dialects.bulk.found import UNKNOWN, Found
from offtake.dialects.framer import MORE
from offtake.dialects.sentences import SentenceFramer
from offtake.dialects.tables import Dialect
from offtake.native import kernels

_CHECK_DIGITS = 2
_NO_DIGIT = 0xFF


def _hex_digits() -> Bytes:
    table = np.full(256, _NO_DIGIT, np.uint8)
    for value, digit in enumerate("0123456789ABCDEF"):
        table[ord(digit)] = table[ord(digit.lower())] = value
    return table


_HEX = _hex_digits()


class SentenceScanner:
    """Finds sentences of ``dialect``."""

    def __init__(self, dialect: Dialect) -> None:
        framing = dialect.framing
        self._framer = SentenceFramer(dialect)
        self._dialect = dialect
        self._starts = framing.starts.encode("ascii")
        self._mark = ord(framing.check_mark)
        self._separator = ord(framing.separator)
        self._max_length = framing.max_length
        self._known = _known_names(dialect)
        self._address = {
            "separator": ord(framing.separator),
            "proprietary": ord(dialect.address.proprietary),
            "talker_letters": dialect.address.talker_letters,
            "name_letters": dialect.address.name_letters,
        }
        self._kinds = _kinds_of(self._starts, self._mark)
        self._body_max = framing.max_length - 1 - 1 - _CHECK_DIGITS - len(framing.line_end)

    def find(self, buffer: Buffer) -> Found:
        """Every sentence with a right checksum, by its start: they never overlap."""
        starts, ends = self._whole(buffer)
        return Found(starts, ends + 1 + _CHECK_DIGITS, self._name(buffer, starts, ends))

    def _whole(self, buffer: Buffer) -> tuple[Ints, Ints]:
        """Where they start, and where their check marks are."""
        data = buffer.bytes[: buffer.size]
        fast = kernels() if self._dialect.framing.check == "xor8" else None
        if fast is not None:
            return fast.sentences(data, self._kinds, self._body_max)
        edges = data == self._mark
        for start in self._starts:
            edges |= data == start
        places = np.flatnonzero(edges)
        marks = data[places] == self._mark
        # The mark right after a start is its own: neither character may stand in a sentence's body.
        own = np.flatnonzero(marks[1:] & ~marks[:-1])
        starts, ends = places[own], places[own + 1]
        whole = (ends - starts <= self._body_max + 1) & (ends + _CHECK_DIGITS < buffer.size)
        starts, ends = starts[whole], ends[whole]
        high, low = _HEX[data[ends + 1]], _HEX[data[ends + 2]]
        stored = high.astype(np.uint64) << np.uint64(4) | low
        computed = KERNELS[self._dialect.framing.check](buffer, starts + 1, ends)
        right = (high != _NO_DIGIT) & (low != _NO_DIGIT) & (stored == computed)
        starts, ends = starts[right], ends[right]
        # No sentence holds what cannot be printed; between them there are line ends.
        strange = FlagBits(data - np.uint8(0x20) > np.uint8(0x5E))
        printable = strange.before(starts) == strange.before(ends)
        return starts[printable], ends[printable]

    def unfinished(self, buffer: Buffer) -> Ints:
        """Where sentences begin that more bytes may complete; at most one."""
        tail_at = max(0, buffer.size - self._max_length)
        tail = buffer.cut(tail_at, buffer.size)
        start = max(tail.rfind(byte) for byte in self._starts)
        if start >= 0 and self._framer.judge(tail, start, 0) == MORE:
            return np.array([tail_at + start])
        return np.zeros(0, np.int64)

    def _name(self, buffer: Buffer, starts: Ints, marks: Ints) -> Ints:
        """The place in the dialect's ``sentences`` of each sentence, or :data:`UNKNOWN`."""
        numbers, places = self._known
        found = self._spoken(buffer, starts, marks, numbers)
        names = places[found]
        makers = np.flatnonzero(found > numbers.size)
        if not makers.size:
            return names
        for index, sentence in enumerate(self._dialect.sentences):
            wanted = sentence.name.encode("ascii")
            if self._separator in wanted:
                continue
            whole, complete = self._addresses(buffer, starts[makers], marks[makers], len(wanted))
            names[makers[complete & (whole == np.frombuffer(wanted, np.uint8)).all(axis=1)]] = index
        return names

    def _spoken(self, buffer: Buffer, starts: Ints, marks: Ints, known: Ints) -> Ints:
        """The place in ``known`` of each name behind a talker; its size where it is not there, one more where the
        address is a maker's own."""
        rule = self._dialect.address
        fast = kernels()
        if fast is not None:
            return fast.text_names(buffer.bytes, starts, marks, self._address, known)
        # Behind a talker only names of the usual length can be known.
        address, fits = self._addresses(buffer, starts, marks, rule.talker_letters + rule.name_letters)
        for column in range(rule.talker_letters):
            fits &= address[:, column] != self._separator
        name = unsigned(address, 8 * rule.talker_letters, 8 * rule.name_letters, "big").view(np.int64)
        found = np.searchsorted(known, name)
        fits &= np.append(known, -1)[found] == name
        makers = buffer.bytes[starts + 1] == ord(rule.proprietary)
        return np.where(makers, known.size + 1, np.where(fits, found, known.size))

    def _addresses(self, buffer: Buffer, starts: Ints, marks: Ints, size: int) -> tuple[Bytes, Bools]:
        """The first ``size`` characters of sentences, and where their first column ends behind them (at the latest)."""
        body = marks - starts - 1
        rows = np.zeros((starts.size, size + 1), np.uint8)
        long_enough = np.flatnonzero(body >= size)
        rows[long_enough] = buffer.rows(starts[long_enough] + 1, size + 1)
        return rows[:, :size], (body == size) | (rows[:, size] == self._separator)


def _kinds_of(starts: bytes, mark: int) -> Bytes:
    """What each character is to a sentence, as the native kernel wants it."""
    kinds = np.full(256, 3, np.uint8)
    kinds[0x20:0x7F] = 0
    kinds[list(starts)] = 1
    kinds[mark] = 2
    return kinds


def _known_names(dialect: Dialect) -> tuple[Ints, Ints]:
    """The names of sentences that follow a talker, as numbers, rising; and the place in the dialect of each, with two
    more for those that are none of these."""
    size = dialect.address.name_letters
    found = {
        int.from_bytes(sentence.name.encode("ascii"), "big"): place
        for place, sentence in enumerate(dialect.sentences)
        if len(sentence.name) == size and dialect.framing.separator not in sentence.name
    }
    numbers = sorted(found)
    return np.array(numbers, np.int64), np.array([*(found[one] for one in numbers), UNKNOWN, UNKNOWN], np.int64)
