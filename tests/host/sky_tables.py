"""Made-up tables of messages that tell of satellites, and what SkyGather makes of them one message after the other."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from offtake.dialects.bulk import MessageTable, Shape, Tables
from offtake.dialects.bulk.columns import ColumnType, build
from offtake.dialects.bulk.shapes import field_shape
from offtake.dialects.message import Message
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.generated.dialects import DIALECTS
from offtake.track.sky import SkyGather
from offtake.track.values import Sky

Ints = NDArray[np.int64]

# Those of every range, its ends, and some in more than one; most often a few, so that many are told of again.
USUAL = (1, 5, 7, 32, 46, 70)
NUMBERS = (
    0, 33, 64, 65, 96, 99, 100, 119, 120, 158, 159, 192, 193, 200, 201, 202, 203, 237, 238, 300, 301, 336, 337, 400,
    401, 463, 464, 999, 2, 3, 4,
)  # fmt: skip
WILD = (-1, 510, 511, 4095, 4096, 2**31 - 1, 2**31, 2**40, -(2**62))
TALKERS = ("GN", "GP", "GL", "GA", "GB", "BD", "GQ", "QZ", "GI", "XX", "P", "")
SYSTEM_WORDS = ("gps", "glonass", "galileo", "beidou", "qzss", "navic", "sbas", "indoor", "GPS")


def whole(name: str, dtype: Any = np.int64) -> Shape:
    return Shape(name, "integer", np.dtype(dtype))


def of(name: str, kind: ColumnType, *fields: Shape, names: tuple[str, ...] = ()) -> Shape:
    dtypes: dict[str, Any] = {"number": np.float64, "boolean": np.bool_, "code": np.int16, "date": "datetime64[D]"}
    return Shape(name, kind, np.dtype(dtypes.get(kind, np.uint8)), names=names, fields=fields)


def built_in() -> list[tuple[str, str, bool, tuple[Shape, ...]]]:
    """Dialect, message, whether it has a talker, and shapes of every message of the built-in dialects that matters."""
    found = []
    for dialect in DIALECTS.values():
        for name, shapes in message_shapes(dialect).items():
            if {"satellites", "satellites_in_view"} & {shape.name for shape in shapes}:
                found.append((dialect.name, name, not isinstance(dialect, BinaryDialect), shapes))
    return found


def message_shapes(dialect: AnyDialect) -> dict[str, tuple[Shape, ...]]:
    messages: Sequence[Any] = dialect.messages if isinstance(dialect, BinaryDialect) else dialect.sentences
    return {one.name: tuple(field_shape(field, dialect) for field in one.fields) for one in messages}


_PLAIN = (whole("satellite_id"), whole("elevation_deg"), whole("azimuth_deg"), whole("cn0_db_hz"))
STRANGE: tuple[tuple[str, str, bool, tuple[Shape, ...]], ...] = (
    ("own", "real", True, (
        of("satellites", "groups", whole("satellite_id", np.uint64), of("elevation_deg", "number"),
           of("azimuth_deg", "number"), whole("cn0_db_hz", object), whole("signal_id"), of("used", "boolean")),
        whole("system_id", np.uint64), whole("signal_id", object), whole("satellites_in_view", object),
    )),
    ("own", "words", False, (
        of("satellites", "groups", of("system", "text"), whole("satellite_id", object), of("elevation_deg", "text"),
           of("azimuth_deg", "date"), of("cn0_db_hz", "boolean"), whole("used"), of("signal_id", "number")),
        of("satellites_in_view", "number"), whole("sentences_total"),
    )),
    ("own", "coded", True, (
        of("satellites", "groups", *_PLAIN, of("system", "code", names=SYSTEM_WORDS), of("used", "boolean")),
        of("satellites_in_view", "boolean"), of("system_id", "boolean"), of("signal_id", "text"),
    )),
    ("own", "numbered", False, (of("satellites", "groups", whole("system"), *_PLAIN), whole("satellites_in_view"))),
    ("own", "nameless", True, (of("satellites", "groups", of("satellite_id", "number"), whole("elevation_deg")),)),
    ("own", "letters", True, (
        of("satellites", "list", of("satellites", "code", names=("a", "b"))), whole("system_id"),
    )),
    ("own", "mask", False, (of("satellites", "list", whole("satellites", np.uint64)), whole("system_id"))),
    ("own", "listed", True, (of("satellites", "list", whole("satellites")), whole("sentences_total"))),
    ("own", "text", True, (of("satellites", "text"), whole("satellites_in_view"))),
    ("own", "one", True, (whole("satellites"), whole("satellites_in_view"))),
)  # fmt: skip
"""Messages of a user's own that call anything by the names that matter."""


def some_value(rng: random.Random, shape: Shape, wild: float) -> Any:
    """A value of a field, ``None`` where it is absent."""
    if shape.type in ("list", "groups"):
        return _some_run(rng, shape, wild)
    if rng.random() < 0.2:
        return None
    if shape.type == "integer":
        return _some_whole(rng, shape, wild)
    kinds: dict[str, Sequence[Any]] = {
        "number": (0.0, -0.0, 1.5, 44.0, -89.5, *((2.0**53, 2.0**53 + 2, -1e300) if rng.random() < wild else ())),
        "boolean": (False, True),
        "date": (dt.date(2001, 2, 3),),
        "code": shape.names,
        "text": SYSTEM_WORDS,
    }
    return rng.choice(kinds[shape.type])


def _some_run(rng: random.Random, shape: Shape, wild: float) -> Any:
    if rng.random() < 0.05:
        return None
    length = rng.choice((0, 1, 2, 4, 4, 4)) if rng.random() >= wild / 20 else rng.randrange(600)
    if shape.type == "list":
        (item,) = shape.fields
        values = [some_value(rng, item, wild) for _ in range(length)]
        return tuple(value for value in values if value is not None)
    return tuple({one.name: some_value(rng, one, wild) for one in shape.fields} for _ in range(length))


def _some_whole(rng: random.Random, shape: Shape, wild: float) -> int:
    if rng.random() < wild:
        most = 2**70 if shape.dtype == object else 2**63 + 1 if shape.dtype == np.uint64 else 2**63 - 1
        value = rng.choice((*WILD, most))
        return abs(value) if shape.dtype == np.uint64 else value
    if shape.name in ("satellite_id", "satellites"):
        return rng.choice(USUAL if rng.random() < 0.6 else NUMBERS)
    if shape.name == "signal_id":
        return rng.choice((0, 1, 2, 15))
    if shape.name == "system_id":
        return rng.choice((0, 1, 2, 3, 4, 5, 6, 7, 15))
    return rng.choice((0, 0, 1, 2, 30, 45, 359))


def some_tables(rng: random.Random, kinds: Sequence[tuple[str, str, bool, tuple[Shape, ...]]], rows: int) -> Tables:
    """A table of each of ``kinds``, whose messages stand among each other in the stream."""
    wild = rng.choice((0.0, 0.0, 0.01, 0.1))
    places = rng.sample(range(10 * rows * len(kinds)), rows * len(kinds))
    tables: Tables = {}
    for kind, (dialect, name, talks, shapes) in enumerate(kinds):
        talkers = TALKERS if rng.random() < 0.9 else tuple(f"T{number}" for number in range(60))
        said = [rng.choice(talkers) for _ in range(rows)]
        talker = build(Shape("talker", "code", np.dtype(np.int32), names=talkers), said) if talks else None
        columns = {one.name: build(one, [some_value(rng, one, wild) for _ in range(rows)]) for one in shapes}
        offset = np.array(sorted(places[kind * rows : (kind + 1) * rows]), np.uint64)
        tables[dialect, name] = MessageTable(dialect, name, "", offset, talker, columns, np.zeros(0, np.int64), ())
    return tables


def messages_of(tables: Tables, epochs: Mapping[tuple[str, str], Ints]) -> list[tuple[int, Message]]:
    """Every row as a message, with its epoch, in the order of the stream."""
    found = []
    for key, table in tables.items():
        for row, epoch in enumerate(epochs[key].tolist()):
            talker = "" if table.talker is None else str(table.talker.value(row))
            offset = int(table.offset[row])
            found.append((epoch, Message(key[0], talker, key[1], offset, b"", "decoded", "", table.row(row))))
    return sorted(found, key=lambda one: one[1].offset)


def one_by_one(tables: Tables, epochs: Mapping[tuple[str, str], Ints], count: int) -> list[tuple[int, Sky | None]]:
    """For each epoch the satellites in view (-1: not told) and its sky, by SkyGather."""
    gathers = [SkyGather() for _ in range(count)]
    for epoch, message in messages_of(tables, epochs):
        if epoch >= 0:
            gathers[epoch].add(message)
    return [(-1 if one.in_view is None else one.in_view, one.finish(1, epoch)) for epoch, one in enumerate(gathers)]
