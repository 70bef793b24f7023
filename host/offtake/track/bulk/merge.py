"""What the messages of each epoch say together: the rules of the streaming way, for many epochs at once.

The first message that knows a value gives it, so of each field every message that gives it has a place in a queue, and
the lowest one wins: mostly the message's place in the stream, moved ahead or back where a rule says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Bools, Ints
from offtake.dialects.bulk.messages import MessageTable
from offtake.track.bulk.kinds import TIME_FIELDS, VOUCHING_FIELDS, Kind, Kinds
from offtake.track.bulk.said import UNSAID, Said, Speaker, Words, words_of
from offtake.track.bulk.steps import Steps
from offtake.track.contribution import POSITION_FIELDS
from offtake.track.fixes import FLOAT_FIELDS
from offtake.track.marks import NO_DAY, NO_LEAP

_LAST = np.int64(2**62)
# More than there are messages in a window.
_AHEAD = np.int64(2**40)
_RANKS = 3


@dataclass(frozen=True)
class Members:
    """Messages of one kind that are in epochs: their rows in ``table``, their places in the stream, their epochs.
    ``single`` says that no epoch has two of them."""

    kind: Kind
    table: MessageTable
    row: Ints
    place: Ints
    epoch: Ints
    single: bool

    def of(self, values: NDArray[Any]) -> NDArray[Any]:
        """Their ``values``, given those of all rows of the table."""
        return values if self.row.size == len(values) else values[self.row]


@dataclass(frozen=True)
class Merged:
    """What n epochs say: the arrays of :class:`~offtake.track.fixes.FixColumns` and
    :class:`~offtake.track.marks.MarkColumns` by their names, those of ticks and sources apart."""

    fixes: dict[str, NDArray[Any]]
    marks: dict[str, NDArray[Any]]


class Merger:
    """Merges the messages of epochs that :class:`~offtake.track.bulk.cut.Cut` is sure of."""

    def __init__(self, kinds: Kinds) -> None:
        self._kinds = kinds
        self.words: Words = words_of(kinds)
        satellites = ("satellites", "satellites_in_view")
        self.satellite_kinds = [kind.key for kind in kinds.every if any(name in kind.shapes for name in satellites)]
        self._speakers = {kind.key: Speaker(kind, self.words) for kind in kinds.every if not kind.odd}

    def merge(self, steps: Steps, epoch: Ints, count: int) -> Merged:
        """Merge ``count`` epochs; ``epoch``, shape (len(steps),), is each message's, -1 for none."""
        members = self._members(steps, epoch)
        said = [(one, self._speakers[one.kind.key].said(one.table)) for one in members if one.kind.contributes]
        fixes: dict[str, NDArray[Any]] = {}
        records = _records([(one, what.rank) for one, what in said if what.rank is not None], count)
        ahead = [
            one.place if what.rank is None else one.place - _AHEAD * _ahead(one, what.rank, records)
            for one, what in said
        ]
        for name in FLOAT_FIELDS:
            queue = _Queue(count, np.float64, np.nan)
            for (one, what), before in zip(said, ahead, strict=True):
                if name in what.numbers:
                    values, given = what.numbers[name]
                    place = before if name in POSITION_FIELDS else one.place
                    queue.add(one, place, one.of(values), one.of(given))
            if queue.used:
                fixes[name] = queue.values
        fixes["satellites_used"] = _most(said, count)
        fixes["fix_type"] = self._type(said, count)
        fixes["fix_quality"] = quality = self._quality(said, count)
        # Some message says there is no solution and none says there is: a position told beside it is stale.
        stale = quality == self.words.code("none")
        if stale.any():
            for name in POSITION_FIELDS:
                if name in fixes:
                    fixes[name][stale] = np.nan
        has_position = np.zeros(count, np.bool_)
        if "latitude_deg" in fixes:
            has_position = ~(np.isnan(fixes["latitude_deg"]) | np.isnan(fixes["longitude_deg"]))
        return Merged(fixes, self._marks(members, has_position, count))

    def _members(self, steps: Steps, epoch: Ints) -> list[Members]:
        found = []
        for one in steps.of_table.values():
            row, place, number = one.row, one.at, epoch[one.at]
            inside = number >= 0
            if not inside.all():
                row, place, number = row[inside], place[inside], number[inside]
            if row.size:
                found.append(Members(one.kind, one.table, row, place, number, bool((np.diff(number) > 0).all())))
        return found

    def _type(self, said: list[tuple[Members, Said]], count: int) -> NDArray[np.int16]:
        queue = _Queue(count, np.int16, UNSAID)
        for one, what in said:
            if what.type is not None:
                codes = one.of(what.type)
                # Any other word stands before "none".
                place = one.place + _AHEAD * (codes == self.words.code("none"))
                queue.add(one, place, codes, codes != UNSAID)
        return queue.values

    def _quality(self, said: list[tuple[Members, Said]], count: int) -> NDArray[np.int16]:
        queue = _Queue(count, np.int16, UNSAID)
        none = self.words.code("none")
        for one, what in said:
            if what.quality is not None:
                codes = one.of(what.quality)
                queue.add(one, one.place + _AHEAD * (codes == none), codes, codes != UNSAID)
            if what.told_quality is not None:
                # The message made to tell the quality stands before all others, and the later one before the earlier.
                codes = one.of(what.told_quality)
                queue.add(one, -_AHEAD - one.place, codes, (codes != UNSAID) & (codes != none))
        return queue.values

    def _marks(self, members: list[Members], has_position: Bools, count: int) -> dict[str, NDArray[Any]]:
        marks: dict[str, NDArray[Any]] = {}
        for name in TIME_FIELDS:
            least, absent = (NO_LEAP + 1, NO_LEAP) if name == "leap_s" else (0, -1)
            queue = _Queue(count, np.int64, absent)
            for one in members:
                if name in one.table.columns:
                    column = one.table.columns[name]
                    queue.add(one, one.place, one.of(column.values), ~one.of(column.absent))
            marks[name] = np.where(queue.values < least, absent, queue.values)
        days = _Queue(count, np.int64, NO_DAY)
        for one in members:
            columns = one.table.columns
            if "date" in columns and "time_of_day_us" in columns:
                known = ~(columns["date"].absent | columns["time_of_day_us"].absent)
                days.add(one, one.place, one.of(columns["date"].values.view(np.int64)), one.of(known))
        marks["day"] = days.values
        marks["trusted"] = _trusted(members, has_position, count)
        return marks


class _Queue:
    """One field of ``count`` epochs: of each the value with the lowest place so far."""

    def __init__(self, count: int, dtype: Any, absent: Any) -> None:
        self.values: NDArray[Any] = np.full(count, absent, dtype)
        self.used = False
        self._place = np.full(count, _LAST)

    def add(self, members: Members, place: Ints, values: NDArray[Any], given: Bools) -> None:
        """Offer the ``values`` that are ``given``; no two places are equal."""
        if members.single and members.epoch.size == self._place.size:
            # One in each epoch, so its row is the epoch's number.
            best = given & (place < self._place) if self.used else given
            np.copyto(self._place, place, where=best)
            np.copyto(self.values, values, where=best)
        else:
            self._add_some(members, place, values, given)
        self.used = self.used or bool(given.any())

    def _add_some(self, members: Members, place: Ints, values: NDArray[Any], given: Bools) -> None:
        epoch = members.epoch
        if not given.all():
            rows = np.flatnonzero(given)
            epoch, place, values = epoch[rows], place[rows], values[rows]
        if not members.single:
            np.minimum.at(self._place, epoch, place)
            best = self._place[epoch] == place
        else:
            best = place < self._place[epoch]
        if not best.all():
            epoch, place, values = epoch[best], place[best], values[best]
        self._place[epoch] = place
        self.values[epoch] = values


def _records(ranked: list[tuple[Members, NDArray[np.int8]]], count: int) -> NDArray[np.int64]:
    """Of each rank and epoch the first message with a position that fine: shape (ranks, count)."""
    first = np.full((_RANKS, count), _LAST)
    for one, ranks in ranked:
        rank = one.of(ranks)
        for value in range(_RANKS):
            rows = np.flatnonzero(rank == value)
            if rows.size:
                np.minimum.at(first[value], one.epoch[rows], one.place[rows])
    return first


def _ahead(one: Members, ranks: NDArray[np.int8], first: NDArray[np.int64]) -> Ints:
    """How far a message's position is to stand before others: by its rank where it is the first one as fine as that and
    no finer one came before; not at all elsewhere."""
    rank = one.of(ranks).astype(np.int64)
    ahead = np.where((rank >= 0) & (first[rank, one.epoch] == one.place), rank + 1, 0)
    for finer in range(1, _RANKS):
        ahead[(rank < finer) & (first[finer, one.epoch] < one.place)] = 0
    return ahead


def _most(said: list[tuple[Members, Said]], count: int) -> NDArray[np.int64]:
    """Satellites used: the greatest number, since some sentences stop counting at twelve."""
    most = np.full(count, -1, np.int64)
    for one, what in said:
        if what.satellites_used is not None:
            values, given = (one.of(array) for array in what.satellites_used)
            np.maximum.at(most, one.epoch[given], np.maximum(values[given], 0))
    return most


def _trusted(members: list[Members], has_position: Bools, count: int) -> Bools:
    """Where a receiver vouches for date and time and takes neither back, or has a position and takes neither back."""
    said = {name: np.zeros(count, np.bool_) for name in VOUCHING_FIELDS}
    denied = np.zeros(count, np.bool_)
    for one in members:
        for name in VOUCHING_FIELDS:
            if name in one.table.columns:
                column = one.table.columns[name]
                given = ~one.of(column.absent)
                said[name][one.epoch[given]] = True
                denied[one.epoch[given & ~one.of(column.values)]] = True
    vouched = np.logical_and.reduce(list(said.values()))
    trusted: Bools = (vouched | has_position) & ~denied
    return trusted
