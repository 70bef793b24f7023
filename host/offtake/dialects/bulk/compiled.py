"""One kind of sentences decoded by the compiled kernels, all fields at once.

Only plain sentences come out sound; the streaming decoder judges the rest, as it does with those that the kernels in
NumPy are not sure of.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil, floor, inf
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Buffer, Bytes, Ints
from offtake.dialects.bulk.calendar import days_of
from offtake.dialects.bulk.columns import Column, Shape, nested, plain, run_places, text
from offtake.dialects.bulk.sentence_fields import UNLISTED, coded_text, letter_codes
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.fields import TWO_DIGIT_YEAR_SPLIT
from offtake.dialects.tables import Dialect, Field, Sentence
from offtake.native import Kernels

MARK_FROM_END = 3
"""A sentence ends with its mark and two digits."""
# In the order of text.c.
_KINDS = ("time_of_day", "date_ddmmyy", "date_parts", "latitude", "longitude", "number", "signed_number", "integer",
          "letter", "list", "text", "letters")  # fmt: skip
_CHARACTERS = _KINDS.index("text")
_DATES = ("date_ddmmyy", "date_parts")
# Beyond any number of eight digits, be they hexadecimal.
_WHOLE_MAX = 2**40


class CompiledLayout:
    """One kind of sentence of a dialect."""

    def __init__(self, sentence: Sentence, dialect: Dialect) -> None:
        self._dialect = dialect
        self._names = [field.name for field in sentence.fields]
        self._groups = next((field for field in sentence.fields if field.kind == "groups"), None)
        groups = self._groups
        alone = [field for field in sentence.fields if field.kind != "groups"]
        self._alone = [_Field(one, dialect, groups is not None and one.at > groups.at) for one in alone]
        self._inside = [_Field(one, dialect, False) for one in groups.fields] if groups else []
        self._sentence = {
            "separator": ord(dialect.framing.separator),
            "columns_min": sentence.columns_min,
            "columns_full": sentence.columns_full,
            "group_at": groups.at if groups else 0,
            "group_width": groups.group_columns if groups else 0,
            "group_count": groups.count if groups else 0,
            "group_end": groups.end if groups else 0,
            "fields_alone": len(alone),
        }

    def decode(self, kernels: Kernels, buffer: Buffer, starts: Ints, ends: Ints) -> tuple[dict[str, Column], Bools]:
        """The columns of the sentences from ``starts`` to ``ends``, and which of them are certain."""
        rows = starts.size
        # No group and no member of a list takes less than a byte.
        length = int((ends - starts).sum())
        in_groups = min(rows * self._groups.count, length) if self._groups else 0
        outputs = [one.output(rows, length) for one in self._alone]
        outputs += [one.output(in_groups, length) for one in self._inside]
        fields = [*self._alone, *self._inside]
        members = [one.members | output for one, output in zip(fields, outputs, strict=True)]
        present = np.zeros(rows, np.int64)
        sound, filled = kernels.text_rows(buffer.bytes, starts, ends - MARK_FROM_END, self._sentence, members, present)
        found = [
            one.column(buffer, output, rows if number < len(self._alone) else int(present.sum()), count)
            for number, (one, output, count) in enumerate(zip(fields, outputs, filled, strict=True))
        ]
        columns: dict[str, Column] = {}
        for one, (column, certain) in zip(self._alone, found, strict=False):
            columns[one.shape.name] = column
            if certain is not None:
                sound &= certain
        if self._groups is not None:
            items: dict[str, Column] = {}
            for one, (column, certain) in zip(self._inside, found[len(self._alone) :], strict=True):
                items[one.shape.name] = column
                if certain is not None:
                    sound[np.repeat(np.arange(rows), present)[~certain]] = False
            shape = field_shape(self._groups, self._dialect)
            columns[shape.name] = nested(shape, present, np.zeros(rows, np.bool_), items)
        return {name: columns[name] for name in self._names}, sound


class _Field:
    """One field, and how it is told to the kernel."""

    def __init__(self, field: Field, dialect: Dialect, behind_groups: bool) -> None:
        self.shape: Shape = field_shape(field, dialect)
        self._kind = field.kind
        self._table = letter_codes(field, dialect).astype(np.int16) if field.letters else np.zeros(256, np.int16)
        # What the kernel looks up where there is not exactly one letter.
        self._table[0] = UNLISTED
        sides = {"latitude": "NS", "longitude": "EW"}.get(field.kind, field.positive + field.negative)
        self.members: dict[str, Any] = {
            "kind": min(_KINDS.index(field.kind), _CHARACTERS),
            "at": field.at,
            "count": field.count,
            "base": TWO_DIGIT_YEAR_SPLIT if field.kind == "date_ddmmyy" else field.base,
            "behind_groups": behind_groups,
            "low": -inf if field.minimum is None else field.minimum,
            "high": inf if field.maximum is None else field.maximum,
            "least": -_WHOLE_MAX if field.minimum is None else _clamped(ceil(field.minimum)),
            "most": _WHOLE_MAX if field.maximum is None else _clamped(floor(field.maximum)),
            "unit": ord(field.unit_letter) if field.unit_letter else 0,
            "positive": ord(sides[0]) if sides else 0,
            "negative": ord(sides[1]) if sides else 0,
            "codes": self._table,
        }

    def output(self, rows: int, length: int) -> dict[str, NDArray[Any]]:
        """Room for the values of so many rows, which have ``length`` characters in all."""
        room = min(rows * self.members["count"], length) if self._kind == "list" else rows
        dtype = self.shape.dtype if self.shape.type in ("number", "code") else np.dtype(np.int64)
        lengths = np.zeros(rows if self._kind in ("list", "text", "letters") else 0, np.int64)
        # At least one, so that there is something to point to.
        return {"values": np.empty(room + 1, dtype), "lengths": lengths, "absent": np.zeros(rows + 1, np.bool_)}

    def column(
        self, buffer: Buffer, output: Mapping[str, NDArray[Any]], rows: int, filled: int
    ) -> tuple[Column, Bools | None]:
        """The column of what the kernel has written, and which rows are certain (``None``: as the kernel says)."""
        values, lengths, absent = output["values"][:rows], output["lengths"][:rows], output["absent"][:rows]
        if self._kind == "list":
            (item,) = self.shape.fields
            items = {item.name: plain(item, output["values"][:filled], np.zeros(filled, np.bool_))}
            return nested(self.shape, lengths, np.zeros(rows, np.bool_), items), None
        if self._kind in ("text", "letters"):
            characters: Bytes = buffer.bytes[run_places(values, lengths)] if lengths.any() else _NO_BYTES
            if self._kind == "text":
                return text(self.shape, lengths, characters, lengths == 0), None
            return coded_text(self.shape, self._table, lengths, characters)
        if self._kind in _DATES:
            days, valid = days_of(values // 10_000, values // 100 % 100, values % 100)
            return plain(self.shape, days, absent), valid | absent
        return plain(self.shape, values, absent), None


def _clamped(bound: int) -> int:
    """A whole bound that the kernel's numbers can be held against."""
    return max(-_WHOLE_MAX, min(bound, _WHOLE_MAX))


_NO_BYTES: Bytes = np.zeros(0, np.uint8)
