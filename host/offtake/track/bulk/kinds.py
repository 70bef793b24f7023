"""What is known of each kind of message before any comes: which part it can have in an epoch."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from offtake.dialects.bulk.columns import Shape
from offtake.dialects.bulk.keys import message_names
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.tables import AnyDialect, BinaryDialect, BinaryField, Field
from offtake.track.contribution import CONTRIBUTING, NUMBERS, TELLING, WHOLE

MOMENT_FIELDS = ("time_of_day_us", "time_of_week_us")
TIME_FIELDS = ("week", "week_bits", "leap_s")
VOUCHING_FIELDS = ("date_valid", "time_valid")
WORD_FIELDS = ("fix_quality", "mode", "status", "fix_type", "carrier_solution")
_FLAGS = ("fix_ok", "position_void", "differential", *VOUCHING_FIELDS)
_WHOLES = (*MOMENT_FIELDS, *TIME_FIELDS, *WHOLE, "system_id")


@dataclass(frozen=True)
class Kind:
    """One kind of message: ``key`` is its table's, ``number`` its place among all kinds of all dialects, ``name`` what
    the message itself is called (``own_name`` where its talker is ``own_mark``: a maker's own sentence).

    ``contributes`` is what :mod:`offtake.track.contribution` says of its fields. ``odd`` is a kind whose fields are not
    what their names let expect, or whose messages go by two names, which only a user's own dialect can have: such
    messages are left to the streaming way. ``trails`` is one that says the same whether it is taken at once or put with
    its epoch later.
    """

    key: tuple[str, str]
    number: int
    name: str
    own_name: str
    is_text: bool
    own_mark: str
    shapes: dict[str, Shape]
    contributes: bool
    odd: bool
    trails: bool


@dataclass(frozen=True)
class Kinds:
    """All kinds of some dialects, by number. As arrays of shape (kinds,): which of them trail, and in ``name`` equal
    numbers for equal names."""

    every: tuple[Kind, ...]
    name: np.ndarray[Any, np.dtype[np.int64]]
    trails: np.ndarray[Any, np.dtype[np.bool_]]

    @cached_property
    def by_key(self) -> dict[tuple[str, str], Kind]:
        """The kinds by the keys of their tables."""
        return {kind.key: kind for kind in self.every}


def kinds_of(dialects: Sequence[AnyDialect]) -> Kinds:
    """All kinds of messages of ``dialects``."""
    every: list[Kind] = []
    for dialect in dialects:
        for (table, fields), names in zip(_tables(dialect), message_names(dialect), strict=True):
            shapes = {field.name: field_shape(field, dialect) for field in fields}
            every.append(
                Kind(
                    key=(dialect.name, table),
                    number=len(every),
                    name=names[0],
                    own_name=names[1],
                    is_text=not isinstance(dialect, BinaryDialect),
                    own_mark="" if isinstance(dialect, BinaryDialect) else dialect.address.proprietary,
                    shapes=shapes,
                    contributes=any(one in shapes for one in (*TELLING, *CONTRIBUTING)),
                    odd=names[0] != names[1] or any(not _is_usual(shape) for shape in shapes.values()),
                    trails="fix_quality" not in shapes and "latitude_deg" not in shapes,
                )
            )
    numbers = {name: number for number, name in enumerate(dict.fromkeys(kind.name for kind in every))}
    return Kinds(
        every=tuple(every),
        name=np.array([numbers[kind.name] for kind in every], np.int64),
        trails=np.array([kind.trails for kind in every], np.bool_),
    )


def _tables(dialect: AnyDialect) -> list[tuple[str, Sequence[Field | BinaryField]]]:
    """Name and fields of each kind of message."""
    if isinstance(dialect, BinaryDialect):
        return [(one.name, one.fields) for one in dialect.messages]
    return [(one.name, one.fields) for one in dialect.sentences]


def _is_usual(shape: Shape) -> bool:
    """Whether a field of this name is what the vectorised way takes it for."""
    if shape.name in _WHOLES:
        return shape.type == "integer" and shape.dtype == np.int64
    if shape.name in NUMBERS:
        return shape.type in ("number", "integer") and shape.dtype in (np.int64, np.float64)
    if shape.name in WORD_FIELDS:
        return shape.type == "code" and "" not in shape.names
    if shape.name == "modes":
        return shape.type == "list" and shape.fields[0].type == "code"
    if shape.name in _FLAGS:
        return shape.type == "boolean"
    return shape.name != "date" or shape.type == "date"
