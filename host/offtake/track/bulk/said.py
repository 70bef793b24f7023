"""What many messages of one kind say of their epochs: :func:`offtake.track.contribution.contribution` of whole tables.

The names, their order and the rules are those of :mod:`offtake.track.contribution`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.bulk.columns import Column
from offtake.dialects.bulk.messages import MessageTable
from offtake.track.bulk.kinds import WORD_FIELDS, Kind, Kinds
from offtake.track.contribution import (
    CARRIER_QUALITIES,
    COMMON_STEPS_PER_DEG,
    FIX_TYPES,
    MODE_ORDER,
    NO_POSITION,
    REPORT_FIELDS,
    REST,
    SPEED_UNITS,
    TYPES_WITH_POSITION,
    VOUCHED_FIELDS,
    WHOLE,
    WITHIN,
)

Floats = NDArray[np.float64]
Codes = NDArray[np.int16]

UNSAID = -1


@dataclass(frozen=True)
class Words:
    """The words of all kinds in one table; codes are places in it, :data:`UNSAID` for none."""

    every: tuple[str, ...]

    def code(self, word: str) -> int:
        """The place of ``word``; :data:`UNSAID` for one that no dialect has."""
        return self.every.index(word) if word in self.every else UNSAID

    def map_of(self, names: Sequence[str]) -> Codes:
        """From a column's codes to those of this table; the last element is for -1."""
        return np.array([*(self.code(name) for name in names), UNSAID], np.int16)


def words_of(kinds: Kinds) -> Words:
    """The words that quality and type of a fix can have."""
    found = ["none", "autonomous", "differential", "estimated", *CARRIER_QUALITIES, *FIX_TYPES.values()]
    for kind in kinds.every:
        for name in (*WORD_FIELDS, "modes"):
            shape = kind.shapes.get(name)
            if shape is not None:
                found += [*shape.names, *(word for inner in shape.fields for word in inner.names)]
    return Words(tuple(dict.fromkeys(found)))


@dataclass
class Said:
    """The fields of fixes that n messages of one kind give.

    ``numbers`` by field name: values (float64) and where they are given. ``quality`` and ``type`` are codes of words;
    ``told_quality`` is what a message says in a field of its own for it. ``rank`` is how fine its position is, -1
    without one. None where the kind never says it.
    """

    numbers: dict[str, tuple[Floats, Bools]] = field(default_factory=dict)
    satellites_used: tuple[Ints, Bools] | None = None
    quality: Codes | None = None
    told_quality: Codes | None = None
    type: Codes | None = None
    rank: NDArray[np.int8] | None = None


class Speaker:
    """Works out what messages of ``kind``, which is not odd, say."""

    def __init__(self, kind: Kind, words: Words) -> None:
        self._kind = kind
        self._words = words
        self._none = words.code("none")
        self._type_map = np.array(
            [words.code(FIX_TYPES[name]) if name in FIX_TYPES else UNSAID for name in self._names("fix_type")]
            + [UNSAID],
            np.int16,
        )

    def said(self, table: MessageTable) -> Said:
        """What the messages of ``table`` say."""
        known = {name: _sound(name, column) for name, column in table.columns.items() if name in _NUMBERS}
        quality = self._quality(table)
        void = self._void(table, quality)
        given = Said()
        for name in REPORT_FIELDS:
            if name in known and name not in WHOLE:
                given.numbers[name] = known[name]
        if "satellites_used" in table.columns:
            column = table.columns["satellites_used"]
            given.satellites_used = column.values, ~column.absent
        if "fix_type" in table.columns:
            given.type = self._type_map[_codes(table.columns["fix_type"])]
        if quality is not None or void is not None:
            given.quality = np.full(len(table), UNSAID, np.int16) if quality is None else quality
            if void is not None:
                given.quality = np.where(void, np.int16(self._none), given.quality)
        if "fix_quality" in table.columns:
            given.told_quality = self._words_of(table, "fix_quality")
        for name, (values, where) in self._vouched(known).items():
            given.numbers[name] = values, where if void is None else where & ~void
        if "latitude_deg" in given.numbers:
            given.rank = self._rank(table, given.numbers["latitude_deg"][1])
        return given

    def _names(self, name: str) -> tuple[str, ...]:
        shape = self._kind.shapes.get(name)
        return () if shape is None else shape.names

    def _words_of(self, table: MessageTable, name: str) -> Codes:
        codes: Codes = self._words.map_of(self._names(name))[_codes(table.columns[name])]
        return codes

    def _is_word(self, table: MessageTable, name: str, words: Sequence[str]) -> Bools:
        flags = np.array([*(one in words for one in self._names(name)), False], np.bool_)
        is_word: Bools = flags[_codes(table.columns[name])]
        return is_word

    def _quality(self, table: MessageTable) -> Codes | None:
        columns = table.columns
        quality: Codes | None = None
        for name in ("fix_quality", "mode"):
            if name in columns:
                quality = _or(quality, self._words_of(table, name))
        if "modes" in columns:
            quality = _or(quality, self._best_mode(columns["modes"]))
        if "fix_ok" in columns:
            quality = _or(quality, np.where(_true(columns["fix_ok"]), self._quality_of_flags(table), UNSAID))
        return quality

    def _best_mode(self, column: Column) -> Codes:
        """The most trusted one of a message's modes; of equal ones the first."""
        assert column.offsets is not None
        assert column.items is not None
        (item,) = column.items.values()
        names = item.shape.names
        order = np.array([MODE_ORDER.index(name) if name in MODE_ORDER else 0 for name in names] + [0], np.int64)
        lengths = np.diff(column.offsets)
        best = np.full(len(column), UNSAID, np.int16)
        spoken = np.flatnonzero(lengths > 0)
        if spoken.size:
            codes = _codes(item)
            # The higher place wins; of equal ones that which has more of them behind it.
            scores = order[codes] * (len(codes) + 1) + np.arange(len(codes), 0, -1)
            found = np.maximum.reduceat(scores, column.offsets[spoken])
            best[spoken] = self._words.map_of(names)[codes[len(codes) - found % (len(codes) + 1)]]
        return best

    def _quality_of_flags(self, table: MessageTable) -> Codes:
        columns, words = table.columns, self._words
        quality = np.full(len(table), UNSAID, np.int16)
        if "fix_type" in columns:
            quality[self._is_word(table, "fix_type", TYPES_WITH_POSITION)] = words.code("autonomous")
            quality[self._is_word(table, "fix_type", ("dead_reckoning",))] = words.code("estimated")
        if "differential" in columns:
            quality[_true(columns["differential"])] = words.code("differential")
        if "carrier_solution" in columns:
            carrier = self._is_word(table, "carrier_solution", CARRIER_QUALITIES)
            quality = np.where(carrier, self._words_of(table, "carrier_solution"), quality)
        return quality

    def _void(self, table: MessageTable, quality: Codes | None) -> Bools | None:
        """Where messages say that there is no solution; ``None`` for a kind that never does."""
        columns = table.columns
        reasons: list[Bools] = []
        if "status" in columns:
            reasons.append(self._is_word(table, "status", ("void",)))
        if quality is not None:
            reasons.append(quality == self._none)
        if "fix_ok" in columns:
            reasons.append(~columns["fix_ok"].values & ~columns["fix_ok"].absent)
            if "fix_type" in columns:
                reasons.append(self._is_word(table, "fix_type", NO_POSITION))
        elif "horizontal_accuracy_m" in columns:
            reasons.append(columns["horizontal_accuracy_m"].absent)
        if "position_void" in columns:
            reasons.append(_true(columns["position_void"]))
        return np.logical_or.reduce(reasons) if reasons else None

    def _vouched(self, known: dict[str, tuple[Floats, Bools]]) -> dict[str, tuple[Floats, Bools]]:
        """What is given only with a solution."""
        given = {name: known[name] for name in VOUCHED_FIELDS if name in known}
        if "latitude_deg" in known and "longitude_deg" in known:
            (latitude, one), (longitude, other) = known["latitude_deg"], known["longitude_deg"]
            given["latitude_deg"], given["longitude_deg"] = (latitude, one & other), (longitude, one & other)
        given |= _motion(known)
        return given | _sigmas(known)

    def _rank(self, table: MessageTable, where: Bools) -> NDArray[np.int8]:
        """As :func:`~offtake.track.contribution.position_rank`, where there is a position; -1 elsewhere."""
        if self._kind.is_text:
            # Dialects of text all name a talker, if only by a letter.
            return np.where(where, np.int8(0), np.int8(-1))
        fine = np.zeros(len(table), np.bool_)
        for name in ("latitude_deg", "longitude_deg"):
            steps = table.columns[name].values * COMMON_STEPS_PER_DEG
            fine |= np.abs(steps - np.rint(steps)) > REST
        return np.where(where, fine.astype(np.int8) + np.int8(1), np.int8(-1))


_NUMBERS = frozenset({
    *REPORT_FIELDS, *VOUCHED_FIELDS, *(name for name, _ in SPEED_UNITS), "latitude_deg", "longitude_deg",
    "velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s", "latitude_sigma_m", "longitude_sigma_m",
    "altitude_sigma_m",
}) - frozenset(WHOLE)  # fmt: skip


def _sound(name: str, column: Column) -> tuple[Floats, Bools]:
    """Values, and where they can be what ``name`` says."""
    values = column.values.astype(np.float64, copy=False)
    # Not a number is within nothing.
    return values, ~column.absent & (np.abs(values) <= WITHIN.get(name, np.finfo(np.float64).max))


def _codes(column: Column) -> Codes:
    codes: Codes = np.where(column.absent, np.int16(UNSAID), column.values)
    return codes


def _true(column: Column) -> Bools:
    flags: Bools = column.values & ~column.absent
    return flags


def _or(first: Codes | None, second: Any) -> Codes:
    """The first codes where they are known, else the second."""
    second = np.asarray(second, np.int16)
    return second if first is None else np.where(first == UNSAID, second, first)


def _motion(known: dict[str, tuple[Floats, Bools]]) -> dict[str, tuple[Floats, Bools]]:
    given: dict[str, tuple[Floats, Bools]] = {}
    for name, unit_m_s in reversed(SPEED_UNITS):
        if name in known:
            given["speed_m_s"] = _over(given.get("speed_m_s"), known[name][0] * unit_m_s, known[name][1])
    if "course_deg" in known:
        course, where = known["course_deg"]
        if (course < 0).any():
            turned = course % 360.0
            course = np.where(course >= 0, course, np.where(turned < 360.0, turned, 0.0))
        given["course_deg"] = course, where
    if "velocity_north_m_s" in known and "velocity_east_m_s" in known:
        _add_velocity(given, known["velocity_north_m_s"], known["velocity_east_m_s"])
    if "velocity_down_m_s" in known:
        down, where = known["velocity_down_m_s"]
        given["climb_m_s"] = _over(known.get("climb_m_s"), 0.0 - down, where)
    return given


def _add_velocity(
    given: dict[str, tuple[Floats, Bools]], north: tuple[Floats, Bools], east: tuple[Floats, Bools]
) -> None:
    """Speed and course from their components, where a message does not tell them itself."""
    moves = north[1] & east[1]
    speed, told = given.get("speed_m_s", (np.zeros(moves.size), np.zeros(moves.size, np.bool_)))
    rows = np.flatnonzero(moves & ~told)
    if rows.size:
        given["speed_m_s"] = _over((speed, told), *_placed(rows, _hypot(north[0][rows], east[0][rows]), moves.size))
    course, told = given.get("course_deg", (np.zeros(moves.size), np.zeros(moves.size, np.bool_)))
    rows = np.flatnonzero(moves & ~told & ((north[0] != 0) | (east[0] != 0)))
    if rows.size:
        turned = [
            math.degrees(math.atan2(one, other)) % 360.0
            for one, other in zip(east[0][rows].tolist(), north[0][rows].tolist(), strict=True)
        ]
        found = np.array([one if one < 360.0 else 0.0 for one in turned], np.float64)
        given["course_deg"] = _over((course, told), *_placed(rows, found, moves.size))


def _sigmas(known: dict[str, tuple[Floats, Bools]]) -> dict[str, tuple[Floats, Bools]]:
    given: dict[str, tuple[Floats, Bools]] = {}
    if "latitude_sigma_m" in known and "longitude_sigma_m" in known:
        (north, one), (east, other) = known["latitude_sigma_m"], known["longitude_sigma_m"]
        rows = np.flatnonzero(one & other)
        found = _placed(rows, _hypot(north[rows], east[rows]), one.size)
        given["horizontal_accuracy_m"] = _over(known.get("horizontal_accuracy_m"), *found)
    if "altitude_sigma_m" in known:
        given["vertical_accuracy_m"] = _over(known.get("vertical_accuracy_m"), *known["altitude_sigma_m"])
    return given


def _hypot(one: Floats, other: Floats) -> Floats:
    """Python's own, which is rounded otherwise than NumPy's: the same fix must come out of both ways."""
    return np.fromiter(map(math.hypot, one.tolist(), other.tolist()), np.float64, one.size)


def _placed(rows: Ints, values: Floats, size: int) -> tuple[Floats, Bools]:
    placed, where = np.zeros(size), np.zeros(size, np.bool_)
    placed[rows], where[rows] = values, True
    return placed, where


def _over(below: tuple[Floats, Bools] | None, values: Floats, where: Bools) -> tuple[Floats, Bools]:
    """``values`` where they are known, else what was there ``below``."""
    if below is None:
        return values, where
    return np.where(where, values, below[0]), where | below[1]
