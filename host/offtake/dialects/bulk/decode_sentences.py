"""All sentences of one kind in a buffer, decoded column by column."""

from __future__ import annotations

import numpy as np

from offtake.dialects.bulk.buffer import Bools, Buffer, Ints
from offtake.dialects.bulk.columns import Column, Shape, nested, plain
from offtake.dialects.bulk.compiled import MARK_FROM_END, CompiledLayout
from offtake.dialects.bulk.flag_bits import FlagBits
from offtake.dialects.bulk.messages import Decoded, complete
from offtake.dialects.bulk.sentence_fields import Kernel, compile_kernel
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.bulk.text import Rows
from offtake.dialects.message import Message
from offtake.dialects.sentences import SentenceFramer
from offtake.dialects.tables import Dialect, Field, Sentence
from offtake.native import kernels

_TABLE_BITS = 16


class SentenceDecoder:
    """Decodes the sentences of ``dialect``."""

    def __init__(self, dialect: Dialect) -> None:
        self._dialect = dialect
        self._framer = SentenceFramer(dialect)
        self._layouts = [_Layout(sentence, dialect) for sentence in dialect.sentences]
        self._native = kernels()
        self._compiled = [CompiledLayout(sentence, dialect) for sentence in dialect.sentences]

    def rows(self, buffer: Buffer, starts: Ints, ends: Ints) -> Rows | None:
        """The columns of the sentences from ``starts`` to ``ends``, both rising; ``None`` where :meth:`decode` does
        without them."""
        if self._native is not None:
            return None
        data = buffer.bytes[: buffer.size]
        mark = ord(self._dialect.framing.check_mark)
        flags = (data == ord(self._dialect.framing.separator)) | (data == mark)
        bits = FlagBits(flags)
        first, last = bits.before(starts), bits.before(ends - MARK_FROM_END)
        return Rows(buffer, np.flatnonzero(flags), first, last)

    def decode(self, buffer: Buffer, rows: Rows | None, starts: Ints, ends: Ints, kind: int) -> Decoded:
        """The sentences of kind ``kind`` (a place in the dialect's ``sentences``) from ``starts`` to ``ends``, whose
        columns are ``rows``."""
        layout = self._layouts[kind]
        # Every kind of trouble may be decided row by row, so no row is lost to a guess made here.
        if self._native is not None:
            columns, sound = self._compiled[kind].decode(self._native, buffer, starts, ends)
        else:
            assert rows is not None
            columns, sound = layout.decode(rows)
        certain, doubtful = np.flatnonzero(sound), np.flatnonzero(~sound)
        if doubtful.size:
            columns = {name: column.take(certain) for name, column in columns.items()}

        def judge(row: int) -> Message:
            message = self._framer.judge(buffer.cut(int(starts[row]), int(ends[row])), 0, 0)
            assert isinstance(message, Message)
            return message

        return complete(layout.shapes, columns, certain, doubtful, judge)

    def talkers(self, buffer: Buffer, starts: Ints) -> Column:
        """Who spoke: the address without the sentence's name."""
        size = self._dialect.address.talker_letters
        proprietary = ord(self._dialect.address.proprietary)
        packed = np.zeros(starts.size, np.int64)
        spoken = buffer.bytes[starts + 1] != proprietary
        for letter in range(1, size + 1):
            packed <<= 8
            packed |= buffer.bytes[starts + letter] * (spoken | (letter == 1))
        found, codes = _numbered(packed, 8 * size)
        names = tuple(one.to_bytes(size, "big").rstrip(b"\0").decode("ascii") for one in found.tolist())
        shape = Shape("talker", "code", np.dtype(np.int32), doc="Who spoke.", names=names)
        return plain(shape, codes, np.zeros(starts.size, np.bool_))


def _numbered(values: Ints, bits: int) -> tuple[Ints, Ints]:
    """The different ones among ``values``, rising, and each one's place among them; none has more than ``bits``."""
    if bits > _TABLE_BITS:
        return np.unique(values, return_inverse=True)
    # Sorting would take longer than all the rest.
    flags = np.zeros(1 << bits, np.bool_)
    flags[values] = True
    found = np.flatnonzero(flags)
    places = np.zeros(1 << bits, np.int64)
    places[found] = np.arange(found.size)
    return found, places[values]


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
        after = rows.moved(missing) if self._groups else rows
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
