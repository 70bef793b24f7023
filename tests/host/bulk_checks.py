"""Holds the bulk decoder against the streaming decoder: same messages, same values to the last bit, same reasons."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from offtake.dialects.bulk import BulkDecoder, MessageIndex, Tables, decode_columns, find_messages
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.tables import AnyDialect, BinaryDialect

Place = tuple[int, int, str, str]
"""Offset, length, dialect, name in the dialect's table (empty: unknown)."""


def stream_messages(stream: bytes, dialects: Sequence[AnyDialect], breaks: Sequence[int] = ()) -> list[Message]:
    """What the streaming decoder finds, told of losses at ``breaks``."""
    decoder = StreamDecoder(dialects)
    messages, start = [], 0
    for place in sorted(breaks):
        messages += decoder.feed(stream[start:place]) + decoder.lose()
        start = place
    return messages + decoder.feed(stream[start:]) + decoder.finish()


def exact(value: Any) -> Any:
    """A form in which values are equal only when they are so to the last bit and in type."""
    if isinstance(value, float):
        return ("float", struct.pack("<d", value))
    if isinstance(value, tuple):
        return ("tuple", *(exact(item) for item in value))
    if isinstance(value, dict):
        return ("dict", *((name, exact(item)) for name, item in value.items()))
    return (type(value).__name__, value)


def table_names(dialect: AnyDialect) -> list[str]:
    return [one.name for one in (dialect.messages if isinstance(dialect, BinaryDialect) else dialect.sentences)]


def table_name(message: Message, dialect: AnyDialect) -> str:
    """A known sentence's name in the table is its address where that is a maker's own."""
    if message.state == "unknown":
        return ""
    names = table_names(dialect)
    return message.key if message.key in names and message.talker == "P" else message.name


def places_of(index: MessageIndex, dialects: Sequence[AnyDialect]) -> list[Place]:
    names = [[*table_names(dialect), ""] for dialect in dialects]
    columns = (index.offset, index.length, index.dialect, index.message)
    rows = zip(*(column.tolist() for column in columns), strict=True)
    return [(offset, length, index.dialects[one], names[one][message]) for offset, length, one, message in rows]


def places_in(messages: Sequence[Message], dialects: Sequence[AnyDialect]) -> list[Place]:
    named = {dialect.name: dialect for dialect in dialects}
    return [(one.offset, len(one.raw), one.dialect, table_name(one, named[one.dialect])) for one in messages]


def assert_same_values(messages: Sequence[Message], tables: Tables, dialects: Sequence[AnyDialect]) -> int:
    """Every row is a message and every message that is known is a row. Returns how many there are."""
    named = {dialect.name: dialect for dialect in dialects}
    expected = {}
    for one in messages:
        if one.state != "unknown":
            key = (one.dialect, table_name(one, named[one.dialect]))
            expected[one.offset] = (*key, one.talker, one.reason, exact(dict(one.values)))
    found = {}
    for (dialect, name), table in tables.items():
        reasons = dict(zip(table.invalid_rows.tolist(), table.reasons, strict=True))
        assert (table.dialect, table.message) == (dialect, name)
        assert table.offset.tolist() == sorted(table.offset.tolist())
        for row in range(len(table)):
            talker = table.talker.value(row) if table.talker is not None else ""
            values = (dialect, name, talker, reasons.get(row, ""), exact(table.row(row)))
            found[int(table.offset[row])] = values
    assert found == expected
    return len(found)


def assert_bulk_is_streaming(stream: bytes, dialects: Sequence[AnyDialect], breaks: Sequence[int] = ()) -> int:
    """Holds index and tables against the streaming decoder; returns how many messages were compared."""
    messages = stream_messages(stream, dialects, breaks)
    index = find_messages(stream, dialects, breaks)
    assert places_of(index, dialects) == places_in(messages, dialects)
    return assert_same_values(messages, decode_columns(stream, index, dialects), dialects)


def assert_windows_are_streaming(
    stream: bytes, dialects: Sequence[AnyDialect], cuts: Sequence[int], breaks: Sequence[int] = ()
) -> None:
    """The same, the stream cut into windows at ``cuts``."""
    messages = stream_messages(stream, dialects, breaks)
    decoder, streaming = BulkDecoder(dialects), StreamDecoder(dialects)
    edges = [0, *sorted(cuts), len(stream)]
    windows = []
    for start, end in pairwise(edges):
        inside = [place for place in breaks if start <= place < end or place == end == len(stream)]
        windows.append(decoder.window(stream[start:end], inside))
        for place, following in pairwise([start, *inside, end]):
            streaming.feed(stream[place:following])
            if following in inside:
                streaming.lose()
        # No byte is held back longer, or given up earlier.
        assert decoder.pending_offset == streaming.pending_offset
    windows.append(decoder.finish())
    places: list[Place] = []
    compared = 0
    for window in windows:
        places += places_of(window.index, dialects)
        mine = {int(offset) for offset in window.index.offset}
        compared += assert_same_values([one for one in messages if one.offset in mine], window.tables, dialects)
    assert places == places_in(messages, dialects)
    assert compared == sum(one.state != "unknown" for one in messages)
