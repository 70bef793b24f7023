"""What a stream itself calls messages: the keys of those that a dialect does not know, the names of those it does."""

from __future__ import annotations

from itertools import accumulate

import numpy as np

from offtake.dialects.binary import WITHOUT_KEY
from offtake.dialects.bulk.bits import unsigned
from offtake.dialects.bulk.buffer import Buffer, Bytes, Ints
from offtake.dialects.checks import CHECKS
from offtake.dialects.sentences import NAME_LENGTH_MAX
from offtake.dialects.tables import AnyDialect, BinaryDialect, BinaryFraming, Dialect

_MARK_FROM_END = 3


def message_names(dialect: AnyDialect) -> list[tuple[str, str]]:
    """The ``name`` that :class:`~offtake.dialects.message.Message` has of each kind in the dialect's table: behind a
    talker, and behind the mark of a maker's own sentences. Most kinds can only have the one or the other."""
    if isinstance(dialect, BinaryDialect):
        return [(one.name, one.name) for one in dialect.messages]
    rule = dialect.address
    names = []
    for one in dialect.sentences:
        bare = one.name.removeprefix(rule.proprietary)
        names.append((one.name if bare == one.name or len(one.name) == rule.name_letters else bare, bare))
    return names


def distinct_rows(rows: Bytes) -> tuple[Ints, Ints, Ints]:
    """For each different one of ``rows``, shape (n, width > 0), its first place and how often it is there; and for each
    row the number of its different one."""
    if len(rows) and (rows == rows[0]).all():
        return np.zeros(1, np.int64), np.array([len(rows)]), np.zeros(len(rows), np.int64)
    items = np.ascontiguousarray(rows).view(f"V{rows.shape[1]}").ravel()
    _, first, inverse, counts = np.unique(items, return_index=True, return_inverse=True, return_counts=True)
    return first, counts, inverse


class KeyReader:
    """Reads the keys of messages of ``dialect``."""

    def __init__(self, dialect: AnyDialect) -> None:
        self._dialect = dialect

    def distinct(self, buffer: Buffer, starts: Ints, ends: Ints) -> list[tuple[int, str, int]]:
        """The different keys of the messages there: the first one's row, the key, and how many have it."""
        if not starts.size:
            return []
        if isinstance(self._dialect, BinaryDialect):
            rows = _binary_keys(buffer, starts, ends, self._dialect.framing)
        else:
            rows = _addresses(buffer, starts, ends, self._dialect)
        first, counts, _ = distinct_rows(rows)
        return [(row, self._text(rows[row]), count) for row, count in zip(first.tolist(), counts.tolist(), strict=True)]

    def _text(self, row: Bytes) -> str:
        if not isinstance(self._dialect, BinaryDialect):
            return row.tobytes().rstrip(b"\0").decode("ascii")
        if row[0]:
            return WITHOUT_KEY
        framing, key = self._dialect.framing, 0
        widths = [dict(_header_fields(framing))[name][1] for name in framing.key] or [framing.key_bits]
        for bits, number in zip(widths, row[1:].view(">u8").tolist(), strict=True):
            key = key << bits | number
        return self._dialect.key_text(key)


def _addresses(buffer: Buffer, starts: Ints, ends: Ints, dialect: Dialect) -> Bytes:
    """The first column of sentences as far as a key goes, filled with zeros: shape (n, NAME_LENGTH_MAX)."""
    columns = np.arange(NAME_LENGTH_MAX)
    places = starts[:, np.newaxis] + 1 + columns
    rows = buffer.bytes[np.minimum(places, buffer.size)]
    inside = (places < ends[:, np.newaxis] - _MARK_FROM_END) & (rows != ord(dialect.framing.separator))
    return np.where(np.logical_and.accumulate(inside, axis=1), rows, np.uint8(0))


def _header_fields(framing: BinaryFraming) -> list[tuple[str, tuple[int, int]]]:
    """First bit and bits of each header field."""
    firsts = accumulate((field.bits for field in framing.header), initial=0)
    return [(field.name, (first, field.bits)) for first, field in zip(firsts, framing.header, strict=False)]


def _binary_keys(buffer: Buffer, starts: Ints, ends: Ints, framing: BinaryFraming) -> Bytes:
    """Keys as rows: whether there is none (the payload is too short), then each part in eight bytes, highest first."""
    header_at = len(framing.sync) // 2
    without = np.zeros((starts.size, 1), np.uint8)
    if framing.key:
        header = buffer.rows(starts + header_at, framing.header_size)
        places = dict(_header_fields(framing))
        parts = [unsigned(header, *places[name], framing.byte_order) for name in framing.key]
    else:
        payload_at = header_at + framing.header_size
        lengths = ends - starts - payload_at - CHECKS[framing.check].size
        short = 8 * lengths < framing.key_bits
        without[:, 0] = short
        width = (framing.key_bits + 7) // 8
        reach = np.minimum(starts[:, np.newaxis] + payload_at + np.arange(width), buffer.size)
        parts = [np.where(short, np.uint64(0), unsigned(buffer.bytes[reach], 0, framing.key_bits, "big"))]
    return np.concatenate([without, *(part.astype(">u8").view(np.uint8).reshape(-1, 8) for part in parts)], axis=1)
