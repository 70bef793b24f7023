"""Columns of everything an index points to."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from offtake.dialects.bulk.buffer import Buffer, Bytes, Ints
from offtake.dialects.bulk.columns import Column
from offtake.dialects.bulk.decode_binary import BinaryDecoder
from offtake.dialects.bulk.decode_sentences import SentenceDecoder
from offtake.dialects.bulk.index import MessageIndex
from offtake.dialects.bulk.messages import Decoded, MessageTable
from offtake.dialects.tables import AnyDialect, BinaryDialect, Dialect
from offtake.errors import UsageError

Tables = dict[tuple[str, str], MessageTable]
"""By the dialect's name and that of the message (of a sentence as the dialect's table has it)."""
Places = dict[tuple[str, str], Ints]
"""For each table the places of its rows in the index of all messages, shape (n,), rising."""


def decode_columns(
    data: bytes | bytearray | memoryview | Bytes, index: MessageIndex, dialects: Sequence[AnyDialect]
) -> Tables:
    """Decode the messages of ``index``, which :func:`~offtake.dialects.bulk.index.find_messages` made of ``data``.

    One table for each kind of message that occurs; messages of unknown kinds are in none. Values, and what counts as
    invalid, are those of :class:`~offtake.dialects.decoder.StreamDecoder`. Raises
    :class:`~offtake.errors.UsageError` when the index was made with other dialects or reaches beyond the data.
    """
    return ColumnDecoder(dialects).decode(Buffer(data), index)[0]


class ColumnDecoder:
    """Decodes one buffer after another: messages of ``kinds``, or all there are."""

    def __init__(self, dialects: Sequence[AnyDialect], kinds: Collection[tuple[str, str]] | None = None) -> None:
        self._names = tuple(dialect.name for dialect in dialects)
        self._wanted = [np.array([_is_wanted(one, name, kinds) for name in _names(one)]) for one in dialects]
        self._decoders = [
            _BinaryTables(one) if isinstance(one, BinaryDialect) else _SentenceTables(one) for one in dialects
        ]

    def decode(self, buffer: Buffer, index: MessageIndex) -> tuple[Tables, Places]:
        """The tables of the messages of ``index`` in ``buffer``, and the places of their rows in ``index``."""
        if index.dialects != self._names:
            raise UsageError("an index of other dialects", expected=f"one of {', '.join(self._names)}")
        starts = (index.offset - np.uint64(index.base)).astype(np.int64)
        ends = starts + index.length
        if len(index) and int(ends.max()) > buffer.size:
            raise UsageError("the index reaches beyond the data", expected=f"at least {ends.max()} bytes")
        tables: Tables = {}
        places: Places = {}
        for place, decoder in enumerate(self._decoders):
            chosen = np.flatnonzero((index.dialect == place) & (index.message >= 0))
            chosen = chosen[self._wanted[place][index.message[chosen]]]
            for table, rows in decoder.tables(buffer, starts[chosen], ends[chosen], index.message[chosen], index.base):
                tables[table.dialect, table.message] = table
                places[table.dialect, table.message] = chosen[rows]
        return tables, places


def _names(dialect: AnyDialect) -> list[str]:
    return [one.name for one in (dialect.messages if isinstance(dialect, BinaryDialect) else dialect.sentences)]


def _is_wanted(dialect: AnyDialect, name: str, kinds: Collection[tuple[str, str]] | None) -> bool:
    return kinds is None or (dialect.name, name) in kinds


class _SentenceTables:
    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._decoder = SentenceDecoder(dialect)

    def tables(
        self, buffer: Buffer, starts: Ints, ends: Ints, kinds: Ints, base: int
    ) -> Iterator[tuple[MessageTable, Ints]]:
        """A table of each kind of sentence that occurs, and which of all the sentences are its rows."""
        if not starts.size:
            return
        every = self._decoder.rows(buffer, starts, ends)
        for kind in np.flatnonzero(np.bincount(kinds)).tolist():
            rows = np.flatnonzero(kinds == kind)
            first, last = starts[rows], ends[rows]
            sentence = self._dialect.sentences[kind]
            talker = self._decoder.talkers(buffer, first)
            decoded = self._decoder.decode(buffer, None if every is None else every.chosen(rows), first, last, kind)
            yield _table(self._dialect.name, sentence.name, sentence.doc, first, base, talker, decoded), rows


class _BinaryTables:
    def __init__(self, dialect: BinaryDialect) -> None:
        self._dialect = dialect
        self._decoder = BinaryDecoder(dialect)

    def tables(
        self, buffer: Buffer, starts: Ints, ends: Ints, kinds: Ints, base: int
    ) -> Iterator[tuple[MessageTable, Ints]]:
        """A table of each kind of message that occurs, and which of all the messages are its rows."""
        for kind in np.flatnonzero(np.bincount(kinds)).tolist():
            rows = np.flatnonzero(kinds == kind)
            message = self._dialect.messages[kind]
            decoded = self._decoder.decode(buffer, starts[rows], ends[rows], kind)
            yield _table(self._dialect.name, message.name, message.doc, starts[rows], base, None, decoded), rows


def _table(
    dialect: str, message: str, doc: str, starts: Ints, base: int, talker: Column | None, decoded: Decoded
) -> MessageTable:
    offset = (starts + base).astype(np.uint64)
    return MessageTable(dialect, message, doc, offset, talker, decoded.columns, decoded.invalid_rows, decoded.reasons)
