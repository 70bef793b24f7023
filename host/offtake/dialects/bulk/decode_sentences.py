"""All sentences of one kind in a buffer, decoded column by column."""

from __future__ import annotations

import numpy as np

from offtake.dialects.bulk.bits import unsigned
from offtake.dialects.bulk.buffer import Bools, Buffer, Ints
from offtake.dialects.bulk.columns import Column, Shape, nested, plain
from offtake.dialects.bulk.messages import Decoded, complete
from offtake.dialects.bulk.sentence_fields import Kernel, compile_kernel
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.bulk.text import Rows
from offtake.dialects.message import Message
from offtake.dialects.sentences import SentenceFramer
from offtake.dialects.tables import Dialect, Field, Sentence

_MARK_FROM_END = 3


class SentenceDecoder:
    """Decodes the sentences of ``dialect``."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._framer = SentenceFramer(dialect)
        self._layouts = [_Layout(sentence, dialect) for sentence in dialect.sentences]

    def rows(self, buffer: Buffer, starts: Ints, ends: Ints) -> Rows:
        """The columns of the sentences from ``starts`` to ``ends``, both rising."""
        data = buffer.bytes[: buffer.size]
        mark = ord(self._dialect.framing.check_mark)
        separators = np.flatnonzero((data == ord(self._dialect.framing.separator)) | (data == mark))
        marks = np.flatnonzero(data[separators] == mark)
        last = marks[_members(separators[marks], ends - _MARK_FROM_END, buffer.size)]
        # The one behind the sentence before; between them only noise may hold some.
        first = np.concatenate([[0], last[:-1] + 1])
        noisy = np.flatnonzero(separators[first] < starts)
        first[noisy] = np.searchsorted(separators, starts[noisy])
        return Rows(buffer, separators, first, last)

    def decode(self, rows: Rows, starts: Ints, ends: Ints, kind: int) -> Decoded:
        """The sentences of kind ``kind`` (a place in the dialect's ``sentences``) from ``starts`` to ``ends``."""
        layout = self._layouts[kind]
        # Every kind of trouble may be decided row by row, so no row is lost to a guess made here.
        columns, sound = layout.decode(rows)
        certain, doubtful = np.flatnonzero(sound), np.flatnonzero(~sound)
        if doubtful.size:
            columns = {name: column.take(certain) for name, column in columns.items()}

        def judge(row: int) -> Message:
            message = self._framer.judge(rows.buffer.cut(int(starts[row]), int(ends[row])), 0, 0)
            assert isinstance(message, Message)
            return message

        return complete(layout.shapes, columns, certain, doubtful, judge)

    def talkers(self, buffer: Buffer, starts: Ints) -> Column:
        """Who spoke: the address without the sentence's name."""
        size = self._dialect.address.talker_letters
        proprietary = ord(self._dialect.address.proprietary)
        rows = buffer.rows(starts + 1, size)
        rows[rows[:, 0] == proprietary, 1:] = 0
        packed = unsigned(rows, 0, 8 * size, "big")
        found, codes = packed[:1], np.zeros(packed.size, np.int64)
        # Most often it is one and the same; sorting would take longer than all the rest.
        if (packed != packed[:1]).any():
            found, codes = np.unique(packed, return_inverse=True)
        names = tuple(one.to_bytes(size, "big").rstrip(b"\0").decode("ascii") for one in found.tolist())
        shape = Shape("talker", "code", np.dtype(np.int32), doc="Who spoke.", names=names)
        return plain(shape, codes, np.zeros(starts.size, np.bool_))


def _members(places: Ints, members: Ints, size: int) -> Ints:
    """Where in ``places`` (below ``size``) the ``members`` stand; both rise."""
    if places.size == members.size:
        return np.arange(places.size)
    flags = np.zeros(size, np.bool_)
    flags[members] = True
    return np.flatnonzero(flags[places])


class _Layout:
    """One kind of sentence."""

    def __init__(self, sentence: Sentence, dialect: Dialect) -> None:
        self.shapes = [field_shape(field, dialect) for field in sentence.fields]
        self._full = sentence.columns_full
        self._min = sentence.columns_min
        plain_fields = [field for field in sentence.fields if field.kind != "groups"]
        self._kernels = {field.name: (field, compile_kernel(field, dialect)) for field in plain_fields}
        self._groups = next((_Groups(one, dialect) for one in sentence.fields if one.kind == "groups"), None)

    def decode(self, rows: Rows) -> tuple[dict[str, Column], Bools]:
        """The columns, and which rows are certain."""
        given = rows.last - rows.first
        sound = given >= self._min
        present = missing = np.zeros(0, np.int64)
        if self._groups is not None:
            present, fits = self._groups.present(given, self._full)
            missing = (self._groups.count - present) * self._groups.width
            sound &= fits
        # What follows the groups moves forward with the missing ones.
        after = Rows(rows.buffer, rows.ends, rows.first - missing, rows.last) if self._groups else rows
        columns: dict[str, Column] = {}
        for shape in self.shapes:
            if self._groups is not None and shape.name == self._groups.shape.name:
                column, certain = self._groups.decode(rows, present)
            else:
                field, kernel = self._kernels[shape.name]
                behind = self._groups is not None and field.at > self._groups.at
                column, certain = kernel(after if behind else rows)
            columns[shape.name] = column
            sound &= certain
        return columns, sound


class _Groups:
    """A field of kind ``groups``: groups of columns, as many as the sentence has."""

    def __init__(self, field: Field, dialect: Dialect) -> None:
        self.shape = field_shape(field, dialect)
        self.at, self.width, self.count = field.at, field.group_columns, field.count
        self._end = field.end
        self._kernels: dict[str, Kernel] = {one.name: compile_kernel(one, dialect) for one in field.fields}

    def present(self, given: Ints, full: int) -> tuple[Ints, Bools]:
        """How many groups each sentence of ``given`` columns has, and where that makes whole groups."""
        present, tail = np.divmod(given + 1 - self.at, self.width)
        fits = (tail <= full - self._end) & (present <= self.count) & (present >= 0)
        return np.where(fits, present, 0), fits

    def decode(self, rows: Rows, present: Ints) -> tuple[Column, Bools]:
        """The column of groups, empty ones left out, and which rows are certain."""
        row = np.repeat(np.arange(present.size), present)
        number = np.arange(row.size) - np.repeat(np.cumsum(present) - present, present)
        first = rows.first[row] + self.at - 1 + number * self.width
        # A group of empty columns has nothing between its separators but the separators.
        ends = rows.ends
        kept = ends[first + self.width] - ends[first] > self.width
        row, first = row[kept], first[kept]
        groups = Rows(rows.buffer, rows.ends, first, first + self.width)
        sound = np.ones(present.size, np.bool_)
        items: dict[str, Column] = {}
        for name, kernel in self._kernels.items():
            items[name], certain = kernel(groups)
            sound[row[~certain]] = False
        lengths = np.bincount(row, minlength=present.size)
        return nested(self.shape, lengths, np.zeros(present.size, np.bool_), items), sound
