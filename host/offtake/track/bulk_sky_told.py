"""What the messages of many epochs tell of satellites: one element for each time one of them is told of.

An element's key holds its epoch, system, number and signal, so that sorting the keys brings together what is told of
one satellite, in the order of a sky. Fields are taken by name, as :class:`~offtake.track.sky.SkyGather` takes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk import Column, MessageTable
from offtake.track.ragged import Flags, Indices, taken_lists
from offtake.track.sky import (
    NUMBERS_BELOW,
    REAL_UP_TO,
    SYSTEM_IDS_BELOW,
    WHOLE_BELOW,
    said_system,
    system_of_number,
)
from offtake.track.values import SYSTEMS

Floats = NDArray[np.float64]

RANKS: tuple[str | None, ...] = (*sorted(SYSTEMS), None)
"""Systems in the order of a sky, an unknown one last; a key holds a system's place in this."""
UNKNOWN = len(SYSTEMS)

RANK_BITS, NUMBER_BITS, SLOT_BITS = 3, 12, 9
NUMBER_AT = SLOT_BITS
RANK_AT = NUMBER_AT + NUMBER_BITS
EPOCH_AT = RANK_AT + RANK_BITS
LISTED_SLOT, NO_SIGNAL_SLOT = 0, 1
"""The last part of a key: a number in a list of those used, a satellite without a signal number; then its signals."""
SIGNALS_BELOW = 2**SLOT_BITS - NO_SIGNAL_SLOT - 1

FIELDS = ("satellites", "satellites_in_view")
"""A message with one of these tells of satellites."""

_RANK_OF = {name: rank for rank, name in enumerate(RANKS)}
_BY_SYSTEM_ID = np.array([_RANK_OF[said_system("", one)] for one in range(SYSTEM_IDS_BELOW + 1)])
# From the system that a sentence speaks of and the number to the satellite's system.
_BY_NUMBER = np.array(
    [_RANK_OF[system_of_number(one, n)] << RANK_AT for one in RANKS for n in range(NUMBERS_BELOW + 1)]
)
_NONE: Indices = np.zeros(0, np.int64)


@dataclass(frozen=True)
class Told:
    """Satellites in view, shape (m,) each, as the rows of one table tell of them. ``strange`` lists epochs that have a
    number too large for a key, whose keys are wrong. ``own_system`` says that the message itself names each one's
    system. ``offset`` is the stream offset of each row, and ``lengths`` says how many of them a row tells of.
    """

    key: Indices
    strange: Indices
    elevation_deg: Floats
    azimuth_deg: Floats
    cn0_db_hz: Floats
    used: NDArray[np.int8]
    own_system: bool
    offset: Indices
    lengths: Indices


@dataclass(frozen=True)
class Listed:
    """Numbers in lists of satellites used, as keys; ``complete`` are the places (epoch and system, the upper part of
    keys) of which a list came, be it empty. ``strange`` is as in :class:`Told`."""

    key: Indices
    strange: Indices
    complete: Indices


class Rows:
    """The rows of ``table`` that are of an epoch: ``rows``, of epochs ``epoch``."""

    def __init__(self, table: MessageTable, epoch: Indices) -> None:
        self.table = table
        self.rows = np.flatnonzero(epoch >= 0)
        self.epoch = epoch[self.rows]

    def without(self, epochs: Flags) -> Rows:
        """The rows that are not of ``epochs`` (one flag each)."""
        epoch = np.full(len(self.table), -1, np.int64)
        kept = ~epochs[self.epoch]
        epoch[self.rows[kept]] = self.epoch[kept]
        return Rows(self.table, epoch)

    @property
    def talkers(self) -> tuple[tuple[str, ...], Indices]:
        """Who spoke: names, and each row's place in them."""
        talker = self.table.talker
        if talker is None:
            return ("",), np.zeros(self.rows.size, np.int64)
        return talker.shape.names, talker.values[self.rows].astype(np.int64)

    def counts(self) -> tuple[Flags, Indices]:
        """Where a row counts the satellites in view, and how many."""
        known, count = _wholes(self.table.columns.get("satellites_in_view"), len(self.table))
        return known[self.rows], count[self.rows]

    def lengths(self) -> Indices:
        """How many satellites each row tells of or lists, at most."""
        column = self._satellites
        if column is None or column.offsets is None:
            return np.zeros(self.rows.size, np.int64)
        return np.diff(column.offsets)[self.rows]

    @property
    def lists(self) -> bool:
        """Whether the table has lists of those used rather than groups of satellites."""
        column = self._satellites
        return column is not None and column.shape.type == "list"

    @property
    def _satellites(self) -> Column | None:
        column = self.table.columns.get("satellites")
        return column if column is not None and column.shape.type in ("list", "groups") else None

    def told(self) -> Told | None:
        """The satellites in view that the rows tell of."""
        column = self._satellites
        if column is None or column.shape.type != "groups" or column.items is None or column.offsets is None:
            return None
        given = ~column.absent[self.rows]
        rows, epoch = self.rows[given], self.epoch[given]
        lengths, inner = _inside(column.offsets, rows)
        items, size = column.items, int(column.offsets[-1])
        known, number = _wholes(items.get("satellite_id"), size)
        number = number[inner]
        upper, strange = self._upper(items.get("signal_id"), rows, epoch, lengths, inner)
        if "system" in items:
            rank = _ranks(items["system"])[inner] << RANK_AT
        else:
            rank = _rank_bits(np.repeat(self._said(rows, listing=False), lengths), number)
        key = upper | rank | number << NUMBER_AT
        cn0 = _reals(items.get("cn0_db_hz"), size)[inner]
        # Some receivers say 0 dB-Hz instead of nothing for a satellite that they do not track.
        cn0[cn0 == 0] = np.nan
        told = Told(
            key=key,
            strange=np.append(strange, _far(number, epoch, lengths)),
            elevation_deg=_reals(items.get("elevation_deg"), size)[inner],
            azimuth_deg=_reals(items.get("azimuth_deg"), size)[inner],
            cn0_db_hz=cn0,
            used=_flags(items.get("used"), size)[inner],
            own_system="system" in items,
            offset=self.table.offset[rows].astype(np.int64),
            lengths=lengths,
        )
        kept = known[inner]
        return told if kept.all() else _only(told, kept)

    def listed(self) -> Listed | None:
        """The lists of those used. A message without satellites is an empty one, unless it is of a set."""
        column = self._satellites
        if column is None or column.offsets is None or column.items is None or "sentences_total" in self.table.columns:
            return None
        given = ~column.absent[self.rows]
        numbers = column.items["satellites"] if self.lists else None
        whole = numbers is not None and numbers.shape.type == "integer"
        if not whole:
            given &= self.lengths() == 0
        rows, epoch = self.rows[given], self.epoch[given]
        complete = self._said(rows, listing=True)
        places = (epoch * len(RANKS) + complete)[complete != UNKNOWN]
        if not whole:
            return Listed(_NONE, _NONE, places)
        lengths, inner = _inside(column.offsets, rows)
        known, number = _wholes(numbers, int(column.offsets[-1]))
        kept, number = known[inner], number[inner]
        rank = _rank_bits(np.repeat(self._said(rows, listing=False), lengths), number)
        key = np.repeat(epoch << EPOCH_AT | LISTED_SLOT, lengths) | rank | number << NUMBER_AT
        return Listed(key if kept.all() else key[kept], _far(number, epoch, lengths), places)

    def _said(self, rows: Indices, *, listing: bool) -> Indices:
        """The system that each row says it is about, by its number or its talker; a list is of the number's alone."""
        talker = self.table.talker
        by_talker = np.full(rows.size, UNKNOWN)
        if talker is not None:
            by_talker = np.array([_RANK_OF[said_system(one, None)] for one in talker.shape.names])[talker.values[rows]]
        column = self.table.columns.get("system_id")
        if column is None or column.absent.all():
            return by_talker
        known, number = _wholes(column, len(self.table))
        said = _BY_SYSTEM_ID[np.minimum(number[rows], SYSTEM_IDS_BELOW)]
        return np.where(known[rows] & (listing | (said != UNKNOWN)), said, by_talker)

    def _upper(
        self, own: Column | None, rows: Indices, epoch: Indices, lengths: Indices, inner: Any
    ) -> tuple[Indices, Indices]:
        """The keys' parts for epoch and signal, and the epochs with a signal number too large for it."""
        known, signal = _wholes(self.table.columns.get("signal_id"), len(self.table))
        signal = np.where(known, signal, -1)[rows]
        strange = epoch[signal >= SIGNALS_BELOW]
        slot = signal + 1 + NO_SIGNAL_SLOT
        if own is None:
            return np.repeat(epoch << EPOCH_AT | slot, lengths), strange
        said, number = _wholes(own, len(own))
        said, number = said[inner], number[inner]
        slot = np.where(said, number + 1 + NO_SIGNAL_SLOT, np.repeat(slot, lengths))
        epoch = np.repeat(epoch, lengths)
        return epoch << EPOCH_AT | slot, np.append(strange, epoch[said & (number >= SIGNALS_BELOW)])


def _rank_bits(said: Indices, number: Indices) -> Indices:
    """The keys' part for the system of satellite ``number`` of a sentence about ``said``."""
    bits: Indices = _BY_NUMBER[said * (NUMBERS_BELOW + 1) + np.minimum(number, NUMBERS_BELOW)]
    return bits


def _far(number: Indices, epoch: Indices, lengths: Indices) -> Indices:
    """The epochs with a satellite number too large for a key."""
    if number.max(initial=0) >> NUMBER_BITS == 0:
        return _NONE
    return np.repeat(epoch, lengths)[number >> NUMBER_BITS > 0]


def _inside(offsets: Indices, rows: Indices) -> tuple[Indices, Any]:
    """How many items ``rows`` have, and what picks these out of all."""
    if rows.size == offsets.size - 1:
        return np.diff(offsets), slice(None)
    starts, places = taken_lists(offsets, rows)
    return np.diff(starts), places


def _only(told: Told, kept: Flags) -> Told:
    row = np.repeat(np.arange(told.lengths.size), told.lengths)[kept]
    return Told(
        key=told.key[kept],
        strange=told.strange,
        elevation_deg=told.elevation_deg[kept],
        azimuth_deg=told.azimuth_deg[kept],
        cn0_db_hz=told.cn0_db_hz[kept],
        used=told.used[kept],
        own_system=told.own_system,
        offset=told.offset,
        lengths=np.bincount(row, minlength=told.lengths.size),
    )


def _wholes(column: Column | None, size: int) -> tuple[Flags, Indices]:
    """Where a column has a number of something, and those (else 0)."""
    if column is None or column.shape.type != "integer":
        return np.zeros(size, np.bool_), np.zeros(size, np.int64)
    values = column.values
    known = np.asarray((values >= 0) & (values < WHOLE_BELOW), np.bool_) & ~column.absent
    if values.dtype == np.int64 and known.all():
        return known, values
    return known, np.where(known, values, 0).astype(np.int64, copy=False)


def _reals(column: Column | None, size: int) -> Floats:
    """A column's quantities, ``nan`` where there is none."""
    if column is None or column.shape.type not in ("integer", "number"):
        return np.full(size, np.nan)
    values, absent = column.values, column.absent
    if values.min(initial=0) < -REAL_UP_TO or values.max(initial=0) > REAL_UP_TO:
        absent = absent | ~np.asarray((values >= -REAL_UP_TO) & (values <= REAL_UP_TO), np.bool_)
        values = np.where(absent, 0, values)
    found = values.astype(np.float64)
    found[absent] = np.nan
    return found


def _flags(column: Column | None, size: int) -> NDArray[np.int8]:
    """1 where a column says yes, 0 no, -1 nothing."""
    if column is None or column.shape.type != "boolean":
        return np.full(size, -1, np.int8)
    return np.where(column.absent, -1, column.values).astype(np.int8)


def _ranks(column: Column) -> Indices:
    """The systems that a column names."""
    ranks = np.full(len(column), UNKNOWN)
    if column.shape.type == "code":
        named = np.array([_RANK_OF.get(name, UNKNOWN) for name in column.shape.names])
        known = ~column.absent
        ranks[known] = named[column.values[known]]
    elif column.shape.type == "text":
        ranks[:] = [_RANK_OF.get(str(column.value(row)), UNKNOWN) for row in range(len(column))]
    return ranks
