"""Many payloads of one message at once: a column for each field, by the message's description."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.codec import FRAME_LENGTH_MASK
from offtake.journal.description import DescribedField, DescribedMessage
from offtake.journal.gathered import numbers_at
from offtake.records import flag_names, text_of
from offtake.spec.model import WIRE_SIZES, Scale

ColumnKind = Literal["integer", "number", "word", "flags", "bytes", "text"]

NAME_LENGTH_MAX = 48
UNIT_LENGTH_MAX = 40
RESERVED_NAMES = ("run", "tick_us", "utc", "utc_uncertainty_s", "latitude_deg", "longitude_deg", "place_s")
"""Columns that every table of measurements has; a field of such a name is given another."""

# Powers of ten that a double holds exactly.
_EXACT_TENS_MAX = 22


@dataclass(frozen=True, eq=False)
class Column:
    """One field of many frames of a message, or one element of an array (``field_0``, ``field_1`` and so on).

    ``name`` is a harmless identifier, once in its series; ``field`` that of the description. ``values`` has shape (n,):
    int64 for kind ``integer`` (a plain number) and, raw, for ``word`` (an enumeration) and ``flags``; float64 for
    ``number`` (scaled, in ``unit``); objects for ``bytes`` and ``text``. Where ``present`` (shape (n,)) is False, the
    frame had no such field, and the value means nothing. ``choices`` are (value or bit number, name). ``derived`` marks
    what was computed from other columns.
    """

    name: str
    field: str
    unit: str
    kind: ColumnKind
    values: NDArray[Any]
    present: NDArray[np.bool_]
    choices: tuple[tuple[int, str], ...] = ()
    derived: bool = False

    @property
    def numeric(self) -> bool:
        """Whether its values are numbers that can be drawn."""
        return self.kind in ("integer", "number")

    def texts(self) -> list[str | None]:
        """The values of a ``word``, ``flags``, ``bytes`` or ``text`` column in words, None where absent: names of
        choices (an unknown one by its number), of flags joined by ``+`` (``0``: none is set), bytes as hex digits."""
        names = dict(self.choices)
        pairs = zip(self.values.tolist(), self.present.tolist(), strict=True)
        return [_text(value, self.kind, names) if there else None for value, there in pairs]

    def taken(self, rows: NDArray[Any]) -> Column:
        """The column with only those of its rows, by index or by True."""
        return Column(self.name, self.field, self.unit, self.kind, self.values[rows], self.present[rows], self.choices,
                      self.derived)  # fmt: skip


def _text(value: Any, kind: ColumnKind, names: Mapping[int, str]) -> str:
    if kind == "word":
        return names.get(value, str(value))
    if kind == "flags":
        return "+".join(flag_names(value, names)) or "0"
    return value.hex() if kind == "bytes" else str(value)


@dataclass(frozen=True, eq=False)
class Payloads:
    """Payloads of one message: where each begins in ``data``, and its size in bytes, both int64 of shape (n,)."""

    data: bytes
    places: Ints
    sizes: Ints


NO_PAYLOADS = Payloads(b"", np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


def width(message: DescribedMessage) -> int:
    """How many columns :func:`columns_of` gives at the most: a description can name hundreds."""
    return sum(one.count or 1 if one.kind in WIRE_SIZES else 1 for one in _reached(message))


def _reached(message: DescribedMessage) -> Iterator[DescribedField]:
    """The fields that a frame can hold: none reaches further, whatever the log says of itself."""
    at = 0
    for one in message.fields:
        if at > FRAME_LENGTH_MASK:
            return
        yield one
        at += one.size or 0


def columns_of(message: DescribedMessage, payloads: Payloads) -> tuple[Column, ...]:
    """The fields of ``message`` in ``payloads``, in order: the same values as :meth:`DescribedMessage.decode` gives for
    each, where a field that is not wholly there is absent."""
    data, starts, sizes = payloads.data, payloads.places, payloads.sizes
    names = _Names()
    columns: list[Column] = []
    at = 0
    for one in _reached(message):
        present = sizes >= at + (one.size or 0)
        if one.kind in WIRE_SIZES:
            columns += _number_columns(one, names, data, starts + at, present)
        else:
            columns.append(_string_column(one, names, data, starts + at, sizes - at, present))
        at += one.size or 0
    return tuple(columns)


def _number_columns(one: DescribedField, names: _Names, data: bytes, places: Ints, present: Bools) -> Iterator[Column]:
    """A column, or one for each element of an array."""
    wide = WIRE_SIZES[one.kind]
    for index in range(one.count or 1):
        raw = _raw_numbers(data, places + index * wide, one.kind, present)
        name = names.give(one.name if one.count is None else f"{one.name}_{index}")
        choices = tuple(sorted((one.choices or {}).items()))
        kind: ColumnKind = "integer"
        values: NDArray[Any] = raw
        if one.scale is not None:
            kind, values = "number", scaled(raw, one.scale)
        elif one.choices is not None:
            kind = "flags" if one.is_flags else "word"
        yield Column(name, one.name, one.unit[:UNIT_LENGTH_MAX], kind, values, present, choices)


def _raw_numbers(data: bytes, places: Ints, kind: str, present: Bools) -> Ints:
    """The numbers at ``places``, 0 where not ``present``."""
    if present.all():
        return numbers_at(data, places, kind)
    raw = np.zeros(len(present), dtype=np.int64)
    raw[present] = numbers_at(data, places[present], kind)
    return raw


def scaled(raw: NDArray[np.int64], scale: Scale) -> NDArray[np.float64]:
    """The doubles nearest to raw numbers of up to 32 bits times ``scale``, same shape."""
    if scale.fraction_bits:
        halved: NDArray[np.float64] = raw / float(2**scale.fraction_bits)
        return halved
    if abs(scale.exponent) > _EXACT_TENS_MAX:
        each: NDArray[np.float64] = np.array([scale.apply(one) for one in raw.tolist()], dtype=np.float64)
        return each
    # Both numbers are exact, so the one operation rounds once, to the nearest.
    whole = (raw * scale.mantissa).astype(np.float64)
    tens = float(10 ** abs(scale.exponent))
    return whole / tens if scale.exponent < 0 else whole * tens


def _string_column(
    one: DescribedField,
    names: _Names,
    data: bytes,
    places: Ints,
    left: Ints,
    present: Bools,
) -> Column:
    values = np.empty(len(present), dtype=object)
    for index, (place, size, there) in enumerate(zip(places.tolist(), left.tolist(), present.tolist(), strict=True)):
        piece = data[place : place + (size if one.size is None else one.size)] if there else b""
        values[index] = text_of(piece) if one.kind == "text" else piece
    kind: ColumnKind = "text" if one.kind == "text" else "bytes"
    return Column(names.give(one.name), one.name, one.unit[:UNIT_LENGTH_MAX], kind, values, present)


class _Names:
    """Gives each column of a table a name of its own."""

    def __init__(self) -> None:
        self._taken = set(RESERVED_NAMES)

    def give(self, wanted: str) -> str:
        """``wanted``, cut to a length that every reader takes, with a number after it where it is taken."""
        name = wanted = wanted[:NAME_LENGTH_MAX]
        number = 2
        while name in self._taken:
            name = f"{wanted}_{number}"
            number += 1
        self._taken.add(name)
        return name
