"""All binary messages of one kind in a buffer, decoded field by field."""

from __future__ import annotations

import numpy as np

from offtake.dialects.binary import BinaryFramer
from offtake.dialects.bulk.binary_fields import compile_fields
from offtake.dialects.bulk.bits import shifted_rows
from offtake.dialects.bulk.buffer import Bools, Buffer, Ints
from offtake.dialects.bulk.columns import Column, nested
from offtake.dialects.bulk.messages import Decoded, complete
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.checks import CHECKS
from offtake.dialects.message import Message
from offtake.dialects.tables import BinaryDialect, BinaryField, BinaryMessage


class BinaryDecoder:
    """Decodes the messages of ``dialect``."""

    def __init__(self, dialect: BinaryDialect) -> None:
        self._framer = BinaryFramer(dialect)
        framing = dialect.framing
        self._payload_at = len(framing.sync) // 2 + framing.header_size
        self._check_size = CHECKS[framing.check].size
        self._layouts = [_Layout(message, dialect) for message in dialect.messages]

    def decode(self, buffer: Buffer, starts: Ints, ends: Ints, kind: int) -> Decoded:
        """The frames of kind ``kind`` (a place in the dialect's ``messages``) from ``starts`` to ``ends``."""
        layout = self._layouts[kind]
        payloads, lengths = starts + self._payload_at, ends - starts - self._payload_at - self._check_size
        fits = lengths >= layout.message.payload_min
        certain = np.flatnonzero(fits)
        columns, sound = layout.decode(buffer, payloads[certain], lengths[certain])
        if not sound.all():
            columns = {name: column.take(np.flatnonzero(sound)) for name, column in columns.items()}
            fits[certain[~sound]] = False
            certain = certain[sound]

        def judge(row: int) -> Message:
            message = self._framer.judge(buffer.cut(int(starts[row]), int(ends[row])), 0, 0)
            assert isinstance(message, Message)
            return message

        return complete(layout.shapes, columns, certain, np.flatnonzero(~fits), judge)


class _Layout:
    """One kind of message."""

    def __init__(self, message: BinaryMessage, dialect: BinaryDialect) -> None:
        self.message = message
        self.shapes = [field_shape(field, dialect) for field in message.fields]
        self._convert = compile_fields(message.fields, dialect)
        self._groups = [_Groups(field, dialect) for field in message.fields if field.kind == "groups"]

    def decode(self, buffer: Buffer, payloads: Ints, lengths: Ints) -> tuple[dict[str, Column], Bools]:
        """The columns of messages whose payloads lie there, none too short; and which rows are certain."""
        columns, sound = self._convert(buffer.rows(payloads, self.message.payload_min))
        for groups in self._groups:
            columns[groups.field.name], certain = groups.decode(buffer, payloads, lengths, columns)
            sound &= certain
        return columns, sound


class _Groups:
    """A field of kind ``groups``, which repeats up to the payload's end or as often as a field before it says."""

    def __init__(self, field: BinaryField, dialect: BinaryDialect) -> None:
        self.field = field
        self._shape = field_shape(field, dialect)
        self._convert = compile_fields(field.fields, dialect)

    def decode(
        self, buffer: Buffer, payloads: Ints, lengths: Ints, columns: dict[str, Column]
    ) -> tuple[Column, Bools]:
        """The column of groups, and which rows are certain."""
        field = self.field
        room = np.maximum(8 * lengths - field.bit, 0) // field.bits
        count, sound = room, np.ones(room.size, np.bool_)
        if field.count_field:
            said = columns[field.count_field]
            sound = ~said.absent & np.asarray(said.values <= room, np.bool_)
            count = np.where(sound, np.maximum(said.values, 0), 0).astype(np.int64)
        absent = np.zeros(room.size, np.bool_)
        if field.when:
            flag = columns[field.when]
            absent = ~flag.values | flag.absent
            count, sound = np.where(absent, 0, count), sound | absent
        row = np.repeat(np.arange(count.size), count)
        number = np.arange(row.size) - np.repeat(np.cumsum(count) - count, count)
        bits = 8 * payloads[row] + field.bit + number * field.bits
        width = (field.bits + 7) // 8
        if field.bit % 8 or field.bits % 8:
            rows = shifted_rows(buffer.rows(bits // 8, width + 1), bits % 8)
        else:
            rows = buffer.rows(bits // 8, width)
        items, certain = self._convert(rows)
        sound[row[~certain]] = False
        return nested(self._shape, count, absent, items), sound
