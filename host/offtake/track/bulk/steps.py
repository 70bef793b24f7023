"""The decoded messages of a window in stream order, with what decides which epoch each is of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.bulk.columns import Column
from offtake.dialects.bulk.messages import MessageTable
from offtake.dialects.bulk.window import Window
from offtake.track.bulk.kinds import MOMENT_FIELDS, Kind, Kinds
from offtake.track.bulk.rebuild import message_of
from offtake.track.contribution import DAY_US
from offtake.track.moment import LEAP_S_MAX, leap_said, moment_of

# Systems with numbers below this are told apart by these.
_SYSTEMS_DIRECT = 256
# Moments beyond these come from no receiver, and their differences need more than 64 bits.
_MOMENT_MAX = 2**60
_UNSAID = -(2**62)


@dataclass(frozen=True)
class Moments:
    """The ``n`` messages that tell a moment: places among the steps, and UTC time of day and GPS time of week in
    microseconds, each with where it is known."""

    at: Ints
    day_us: Ints
    has_day: Bools
    week_us: Ints
    has_week: Bools


@dataclass(frozen=True)
class Placed:
    """The decoded messages of one kind: the ``row`` of each in ``table``, its place ``at`` among the steps."""

    kind: Kind
    table: MessageTable
    row: Ints
    at: Ints


@dataclass(frozen=True)
class Steps:
    """n decoded messages in stream order: their stream ``offset``, ``kind`` (a number of :class:`Kinds`) and ``row`` in
    its table.

    ``before`` is the place of the last message before with the same key, where the kind has a part in a fix; -1 without
    one. ``leap_at`` and ``leap_s`` are the messages that say how many seconds GPS is ahead of UTC. ``odd`` are messages
    that only the streaming way can judge. ``of_table`` has the decoded messages of each table.
    """

    offset: Ints
    kind: NDArray[np.int16]
    row: Ints
    before: Ints
    odd: Bools
    moments: Moments
    leap_at: Ints
    leap_s: Ints
    of_table: dict[tuple[str, str], Placed]

    def __len__(self) -> int:
        return self.kind.size


def steps_of(window: Window, kinds: Kinds) -> Steps:
    """Put the decoded messages of ``window`` in their order."""
    index = window.index
    decoded = window.decoded
    whole = bool(decoded.all())
    step_of = np.arange(len(index)) if whole else np.cumsum(decoded) - 1
    placed: list[Placed] = []
    for key, table in window.tables.items():
        places = window.places[key]
        rows = np.arange(places.size) if whole else np.flatnonzero(decoded[places])
        placed.append(Placed(kinds.by_key[key], table, rows, step_of[places[rows]]))
    count = len(index) if whole else int(np.count_nonzero(decoded))
    kind, row = np.empty(count, np.int16), np.empty(count, np.int64)
    odd = np.zeros(count, np.bool_)
    for one in placed:
        kind[one.at], row[one.at] = one.kind.number, one.row
        if one.kind.odd:
            odd[one.at] = True
    moments = _moments(placed, odd)
    leap_at, leap_s = _leaps(placed)
    return Steps(
        offset=index.offset[decoded].astype(np.int64),
        kind=kind,
        row=row,
        before=_before(placed, count),
        odd=odd,
        moments=moments,
        leap_at=leap_at,
        leap_s=leap_s,
        of_table={one.kind.key: one for one in placed},
    )


def _before(placed: Sequence[Placed], count: int) -> Ints:
    """For each message that has a part in a fix, the last one before with its key; -1 without one."""
    before = np.full(count, -1, np.int64)
    for one in placed:
        if one.kind.contributes and one.at.size:
            codes = _keys(one)
            at = one.at
            if codes is None:
                before[at[1:]] = at[:-1]
                continue
            order = at[np.argsort(codes, kind="stable")]
            codes = np.sort(codes, kind="stable")
            same = codes[1:] == codes[:-1]
            before[order[1:][same]] = order[:-1][same]
    return before


def _keys(one: Placed) -> Ints | None:
    """Equal numbers for messages of one kind that may not come twice in an epoch; ``None`` where all are equal."""
    table, codes, count = one.table, None, 1
    if table.talker is not None and len(table.talker.shape.names) > 1:
        codes, count = table.talker.values[one.row].astype(np.int64), len(table.talker.shape.names)
    system = table.columns.get("system_id")
    if system is not None and not one.kind.odd and not system.absent.all():
        places, different = _system_places(system)
        codes = places[one.row] + different * (0 if codes is None else codes)
        count *= different
    # Of 16 bits the sort is by counting.
    return codes.astype(np.uint16) if codes is not None and count < 2**16 else codes


def _system_places(system: Column) -> tuple[Ints, int]:
    known = system.values[~system.absent]
    if known.min() >= 0 and known.max() < _SYSTEMS_DIRECT:
        return np.where(system.absent, _SYSTEMS_DIRECT, system.values), _SYSTEMS_DIRECT + 1
    found, places = np.unique(system.values, return_inverse=True)
    return np.where(system.absent, found.size, places), found.size + 1


def _moments(placed: Sequence[Placed], odd: Bools) -> Moments:
    """Takes note in ``odd`` of messages whose moments are too great to reckon with."""
    known = {name: np.zeros(odd.size, np.bool_) for name in MOMENT_FIELDS}
    values = {name: np.zeros(odd.size, np.int64) for name in MOMENT_FIELDS}
    for one in placed:
        for name in MOMENT_FIELDS:
            if name in one.table.columns and not one.kind.odd:
                column = one.table.columns[name]
                values[name][one.at] = column.values[one.row]
                known[name][one.at] = ~column.absent[one.row]
    at = np.flatnonzero(np.logical_or.reduce(list(known.values())))
    found: list[NDArray[Any]] = []
    for name in MOMENT_FIELDS:
        told = np.where(known[name][at], values[name][at], 0)
        odd[at] |= (told > _MOMENT_MAX) | (told < -_MOMENT_MAX)
        found += [told, known[name][at]]
    return Moments(at, *found)


def _leaps(placed: Sequence[Placed]) -> tuple[Ints, Ints]:
    """As :func:`~offtake.track.moment.leap_said`, of all messages that say it."""
    parts: list[tuple[Ints, Ints]] = []
    for one in placed:
        shapes = one.kind.shapes
        if "leap_s" in shapes or all(name in shapes for name in MOMENT_FIELDS):
            parts.append(_leaps_one_by_one(one) if one.kind.odd else _leaps_of(one))
    if not parts:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    at, leap_s = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    order = np.argsort(at, kind="stable")
    return at[order], leap_s[order]


def _leaps_of(one: Placed) -> tuple[Ints, Ints]:
    """The messages that say it, in words or by telling one moment both ways, and what they say."""
    columns, rows = one.table.columns, one.row
    told, leap_s = np.zeros(rows.size, np.bool_), np.zeros(rows.size, np.int64)
    said = columns.get("leap_s")
    if said is not None:
        told, leap_s = ~said.absent[rows], said.values[rows]
    if all(name in columns for name in MOMENT_FIELDS):
        day, week = (columns[name] for name in MOMENT_FIELDS)
        seconds = np.rint((week.values[rows] - day.values[rows]) % DAY_US / 1e6).astype(np.int64)
        both = ~told & ~day.absent[rows] & ~week.absent[rows] & (seconds <= LEAP_S_MAX)
        told, leap_s = told | both, np.where(both, seconds, leap_s)
    return one.at[told], leap_s[told]


def _leaps_one_by_one(one: Placed) -> tuple[Ints, Ints]:
    """The same of a kind whose fields may be anything."""
    found: list[tuple[int, int]] = []
    for at, row in zip(one.at.tolist(), one.row.tolist(), strict=True):
        message = message_of(one.table, row, one.kind)
        leap_s = leap_said(message, moment_of(message), _UNSAID)
        if leap_s != _UNSAID:
            # Whole days more or less make no difference to a time of day, and to 64 bits they do.
            found.append((at, leap_s if abs(leap_s) < _MOMENT_MAX else leap_s % (24 * 3600)))
    return np.array([at for at, _ in found], np.int64), np.array([leap_s for _, leap_s in found], np.int64)
