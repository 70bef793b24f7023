"""Frames of one binary dialect in a buffer: those whose check is right, and those that the buffer's end cuts."""

from __future__ import annotations

from itertools import accumulate

import numpy as np

from offtake.dialects.binary import BinaryFramer
from offtake.dialects.bulk.bits import unsigned
from offtake.dialects.bulk.buffer import WORD, Bools, Buffer, Bytes, Ints, Words
from offtake.dialects.bulk.checks import KERNELS
from offtake.dialects.bulk.found import UNKNOWN, Found
from offtake.dialects.checks import CHECKS
from offtake.dialects.framer import MORE
from offtake.dialects.tables import BinaryDialect

# Keys of so many bits are looked up in a table.
_TABLE_BITS = 16

_Begun = tuple[Ints, Ints, Bytes]


class BinaryScanner:
    """Finds frames of ``dialect``."""

    def __init__(self, dialect: BinaryDialect) -> None:
        framing = self._framing = dialect.framing
        self._framer = BinaryFramer(dialect)
        self._sync = bytes.fromhex(framing.sync)
        self._payload_at = len(self._sync) + framing.header_size
        self._check_size = CHECKS[framing.check].size
        self._check_from = len(self._sync) if framing.check_from == "header" else 0
        firsts = accumulate((field.bits for field in framing.header), initial=0)
        self._header = {field.name: (first, field.bits) for first, field in zip(firsts, framing.header, strict=False)}
        numbered = sorted((key, place) for place, one in enumerate(dialect.messages) for key in one.keys)
        self._keys = [key for key, _ in numbered]
        self._places = [place for _, place in numbered]
        bits = sum(self._header[name][1] for name in framing.key)
        self._named = np.full(2**bits if framing.key and bits <= _TABLE_BITS else 0, UNKNOWN, np.int64)
        if self._named.size:
            self._named[self._keys] = self._places
        # What find() looked through, for unfinished() of the same buffer.
        self._last: tuple[Buffer, _Begun] | None = None

    def find(self, buffer: Buffer) -> Found:
        """Every frame with a right check, by its start. They may overlap."""
        self._last = buffer, self._begun(buffer)
        starts, lengths, header = self._last[1]
        whole = starts + self._payload_at + lengths + self._check_size <= buffer.size
        starts, lengths, header = _kept(whole, starts, lengths, header)
        ends = starts + self._payload_at + lengths
        stored = self._stored(buffer, ends)
        right = stored == KERNELS[self._framing.check](buffer, starts + self._check_from, ends)
        starts, lengths, header = _kept(right, starts, lengths, header)
        ends = starts + self._payload_at + lengths + self._check_size
        return Found(starts, ends, self._name(buffer, starts, lengths, header))

    def _stored(self, buffer: Buffer, starts: Ints) -> Words:
        """The checks that begin at ``starts``: four bytes at the most."""
        # They are the highest bytes of a word that ends where they do, the last of them the highest.
        words = buffer.words_before(starts + self._check_size)
        if self._framing.check_order == "big":
            return words.byteswap() & np.uint64(2 ** (8 * self._check_size) - 1)
        return words >> np.uint64(8 * (WORD - self._check_size))

    def unfinished(self, buffer: Buffer) -> Ints:
        """Where frames begin that more bytes may complete."""
        known, self._last = self._last, None
        starts, lengths, _ = known[1] if known is not None and known[0] is buffer else self._begun(buffer)
        cut = starts[starts + self._payload_at + lengths + self._check_size > buffer.size]
        tail_at = max(0, buffer.size - self._payload_at + 1)
        tail = buffer.cut(tail_at, buffer.size)
        places = [at for at, byte in enumerate(tail) if byte == self._sync[0]]
        begun = [at for at in places if self._framer.judge(tail, at, 0) == MORE]
        return np.concatenate([cut, np.array(begun, np.int64) + tail_at])

    def _begun(self, buffer: Buffer) -> _Begun:
        """Starts of frames with a whole, sensible header; their payloads' lengths; their headers' bytes."""
        data = buffer.bytes[: max(0, buffer.size - self._payload_at + 1)]
        starts = np.flatnonzero(data == self._sync[0])
        for index, byte in enumerate(self._sync[1:], start=1):
            starts = starts[buffer.bytes[starts + index] == byte]
        header = buffer.rows(starts + len(self._sync), self._framing.header_size)
        lengths = self._of_header(header, "length").view(np.int64) - self._framing.length_extra
        sensible: Bools = (lengths >= 0) & (lengths <= self._framing.payload_max)
        for field in self._framing.header:
            if field.must_be is not None:
                sensible &= self._of_header(header, field.name) == field.must_be
        return _kept(sensible, starts, lengths, header)

    def _of_header(self, header: Bytes, name: str) -> Words:
        return unsigned(header, *self._header[name], self._framing.byte_order)

    def _name(self, buffer: Buffer, starts: Ints, lengths: Ints, header: Bytes) -> Ints:
        """The place in the dialect's ``messages`` of each frame, or :data:`UNKNOWN`."""
        if self._framing.key:
            return self._name_by_header(header)
        bits = self._framing.key_bits
        payload = buffer.rows(starts + self._payload_at, (bits + 7) // 8)
        keys, known = unsigned(payload, 0, bits, "big"), np.array(self._keys, np.uint64)
        nearest = np.minimum(np.searchsorted(known, keys), known.size - 1)
        same = (known[nearest] == keys) & (8 * lengths >= bits)
        return np.where(same, np.array(self._places)[nearest], UNKNOWN)

    def _name_by_header(self, header: Bytes) -> Ints:
        parts = [(self._of_header(header, name), self._header[name][1]) for name in self._framing.key]
        if self._named.size:
            joined = np.zeros(len(header), np.uint64)
            for numbers, bits in parts:
                joined = joined << np.uint64(bits) | numbers
            return self._named[joined]
        names = np.full(len(header), UNKNOWN)
        for key, place in zip(self._keys, self._places, strict=True):
            same, rest = np.ones(len(header), np.bool_), key
            for numbers, bits in reversed(parts):
                same &= numbers == rest & 2**bits - 1
                rest >>= bits
            names[same] = place
        return names


def _kept(flags: Bools, starts: Ints, lengths: Ints, header: Bytes) -> _Begun:
    """The rows that are flagged; mostly all are."""
    if flags.all():
        return starts, lengths, header
    rows = np.flatnonzero(flags)
    return starts[rows], lengths[rows], header[rows]
