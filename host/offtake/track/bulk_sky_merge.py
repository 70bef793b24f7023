"""What is told of satellites, many epochs at once, merged to their skies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.native import kernels
from offtake.track.bulk_sky_told import (
    EPOCH_AT,
    LISTED_SLOT,
    NO_SIGNAL_SLOT,
    NUMBER_AT,
    NUMBER_BITS,
    RANK_AT,
    RANKS,
    SLOT_BITS,
    Floats,
    Listed,
    Told,
)
from offtake.track.ragged import Flags, Indices
from offtake.track.values import SYSTEMS

_SLOTS = 2**SLOT_BITS - 1
_NUMBERS = 2**NUMBER_BITS - 1
_NUMBER_MASK = _NUMBERS << NUMBER_AT
_PLACES = len(RANKS)
_GPS = RANKS.index("gps")
# Marks that are held at a time, one for each number of a system of an epoch.
_MARKS = 1 << 22
_KEY = {"number_at": NUMBER_AT, "rank_at": RANK_AT, "epoch_at": EPOCH_AT, "no_signal": NO_SIGNAL_SLOT}
_TOLD = ("elevation_deg", "azimuth_deg", "cn0_db_hz", "used")
_NONE: Indices = np.zeros(0, np.int64)
_SYSTEM_OF = np.array([-1 if name is None else SYSTEMS.index(name) for name in RANKS], np.int8)


@dataclass(frozen=True)
class Satellites:
    """Satellites of many epochs, m of them, by epoch and in the order of a sky; shape (m,) each.

    As in :class:`~offtake.track.skies.SkyColumns`: ``system`` is a place in ``SYSTEMS`` (-1 not known), directions are
    in degrees, ``nan`` is absent, and so is -1 in ``used`` and ``signal_id``.
    """

    epoch: Indices
    system: NDArray[np.int8]
    satellite_id: Indices
    elevation_deg: Floats
    azimuth_deg: Floats
    cn0_db_hz: Floats
    used: NDArray[np.int8]
    signal_id: Indices


def merge(told: Sequence[Told], listed: Sequence[Listed], epochs: int) -> Satellites:
    """The satellites of epochs 0 up to ``epochs``: what a sky of each would have."""
    plain = _merged_natively(told, listed, epochs)
    if plain is not None:
        return plain
    values = _Values(told)
    keys = np.concatenate([*(one.key for one in told), _NONE])
    # Most rows come in order of epoch and number, which this kind of sort takes advantage of.
    order = np.argsort(keys, kind="stable")
    keys = keys[order]
    fresh = _changes(keys)
    if not fresh.all():
        values.settle(keys, order, fresh)
        rows = np.flatnonzero(fresh)
        keys, order = keys[rows], order[rows]
    used = values.used[order]
    by_itself = np.zeros(epochs, np.bool_)
    if values.by_itself:
        by_itself[keys[values.own_system[order]] >> EPOCH_AT] = True
    unlisted = _NONE
    if listed:
        used, unlisted = _with_lists(keys, used, listed, by_itself)
    if values.by_itself:
        # Where a message names systems itself, the other family's satellites would be there twice.
        rows = np.flatnonzero(values.own_system[order] | ~by_itself[keys >> EPOCH_AT])
        keys, order, used = keys[rows], order[rows], used[rows]
    if unlisted.size:
        keys = np.concatenate([keys, unlisted])
        rows = np.argsort(keys, kind="stable")
        order = np.append(order, np.full(unlisted.size, values.size))[rows]
        keys, used = keys[rows], np.append(used, np.ones(unlisted.size, np.int8))[rows]
    return Satellites(
        epoch=keys >> EPOCH_AT,
        system=_SYSTEM_OF[keys >> RANK_AT & _PLACES - 1],
        satellite_id=keys >> NUMBER_AT & _NUMBERS,
        elevation_deg=values.elevation_deg[order],
        azimuth_deg=values.azimuth_deg[order],
        cn0_db_hz=values.cn0_db_hz[order],
        used=used,
        signal_id=(keys & _SLOTS) - NO_SIGNAL_SLOT - 1,
    )


def _with_lists(
    keys: Indices, used: NDArray[np.int8], listed: Sequence[Listed], by_itself: Flags
) -> tuple[NDArray[np.int8], Indices]:
    """Whether the satellites of ``keys`` are used, where the lists say so and nothing else does; and the keys of those
    in lists that are not among them, of epochs that have any. Keys are sorted."""
    numbers = np.sort(np.concatenate([one.key for one in listed]), kind="stable")
    complete = _complete(listed, by_itself)
    # Places of epoch and system are close to one another, so are a system's numbers: dense enough for marks.
    width = int(max((keys & _NUMBER_MASK).max(initial=0), (numbers & _NUMBER_MASK).max(initial=0)) >> NUMBER_AT) + 1
    seen = (keys >> RANK_AT) * width + (keys >> NUMBER_AT & _NUMBERS)
    used_too, missing = _compared(seen, (numbers >> RANK_AT) * width + (numbers >> NUMBER_AT & _NUMBERS))
    said = np.where((used < 0) & complete[keys >> RANK_AT], used_too, used)
    unlisted = numbers[missing]
    if unlisted.size:
        has_sky = np.zeros(by_itself.size, np.bool_)
        has_sky[keys >> EPOCH_AT] = True
        unlisted = unlisted[_changes(unlisted) & complete[unlisted >> RANK_AT] & has_sky[unlisted >> EPOCH_AT]]
    # A satellite without a signal number.
    return said, unlisted | NO_SIGNAL_SLOT


def _complete(listed: Sequence[Listed], by_itself: Flags) -> Flags:
    """For each place (epoch and system) whether a list of those used counts."""
    complete = np.zeros(by_itself.size * _PLACES, np.bool_)
    for one in listed:
        complete[one.key >> RANK_AT] = True
        complete[one.complete] = True
    if by_itself.any():
        # Of GPS alone both families have the same numbers.
        by_place = complete.reshape(-1, _PLACES)
        by_place[:, :_GPS] &= ~by_itself[:, np.newaxis]
        by_place[:, _GPS + 1 :] &= ~by_itself[:, np.newaxis]
    return complete


def _merged_natively(told: Sequence[Told], listed: Sequence[Listed], epochs: int) -> Satellites | None:
    """The same by the compiled kernels; ``None`` where they are not there or a sky is not plain."""
    found = kernels()
    if found is None or not told or len({one.own_system for one in told}) > 1:
        return None
    keys = np.concatenate([one.key for one in told])
    by_itself = np.zeros(epochs, np.bool_)
    if told[0].own_system:
        by_itself[keys >> EPOCH_AT] = True
    columns = found.sky_merge(
        _KEY,
        {name: np.concatenate([getattr(one, name) for one in told]) for name in _TOLD},
        keys,
        np.concatenate([*(one.key for one in listed), _NONE]),
        _complete(listed, by_itself),
        _SYSTEM_OF,
        epochs,
    )
    return None if columns is None else Satellites(**columns)


def _compared(seen: Indices, listed: Indices) -> tuple[NDArray[np.int8], Flags]:
    """1 for those ``seen`` that are ``listed``, else 0; and which of those listed are not seen; both sorted."""
    in_list = np.zeros(seen.size, np.int8)
    missing = np.ones(listed.size, np.bool_)
    marks = np.zeros(min(_MARKS, int(max(seen.max(initial=0), listed.max(initial=0))) + 1), np.bool_)
    part = listed // _MARKS
    for number in part[_changes(part)].tolist():
        ends = number * _MARKS, (number + 1) * _MARKS
        mine, theirs = slice(*np.searchsorted(seen, ends)), slice(*np.searchsorted(listed, ends))
        at, others = seen[mine] - ends[0], listed[theirs] - ends[0]
        marks[others] = True
        in_list[mine] = marks[at]
        marks[others] = False
        marks[at] = True
        missing[theirs] = ~marks[others]
        marks[at] = False
    return in_list, missing


def _changes(keys: Indices) -> Flags:
    """Where keys differ from the one before; the first always does."""
    fresh = np.ones(keys.size, np.bool_)
    np.not_equal(keys[1:], keys[:-1], out=fresh[1:])
    return fresh


class _Values:
    """What is told of satellites, ``size`` times; one more element stands for all those that are in lists alone."""

    def __init__(self, told: Sequence[Told]) -> None:
        self._told = told
        self.by_itself = any(one.own_system for one in told)
        self.size = sum(one.key.size for one in told)
        self.elevation_deg = np.concatenate([*(one.elevation_deg for one in told), [np.nan]])
        self.azimuth_deg = np.concatenate([*(one.azimuth_deg for one in told), [np.nan]])
        self.cn0_db_hz = np.concatenate([*(one.cn0_db_hz for one in told), [np.nan]])
        self.used = np.concatenate([*(one.used for one in told), np.ones(1, np.int8)])
        self.own_system = np.concatenate(
            [*(np.full(one.key.size, one.own_system) for one in told), np.zeros(1, np.bool_)]
        )

    def settle(self, keys: Indices, order: Indices, fresh: Flags) -> None:
        """Let the first of the elements with equal ``keys`` (sorted, from places ``order``) have what all of them tell:
        of each value the one that is known first in the stream."""
        again = ~fresh
        again[:-1] |= ~fresh[1:]
        again &= keys & _SLOTS != LISTED_SLOT
        keys, places = keys[again], order[again]
        if not keys.size:
            return
        begins = np.flatnonzero(_changes(keys))
        first = places[begins]
        rows = [np.repeat(one.offset, one.lengths) for one in self._told]
        places = places[np.lexsort((np.concatenate(rows)[places], keys))]
        for values in (self.elevation_deg, self.azimuth_deg, self.cn0_db_hz):
            values[first] = _first_known(values[places], ~np.isnan(values[places]), begins)
        self.used[first] = _first_known(self.used[places], self.used[places] >= 0, begins)
        self.own_system[first] = np.logical_or.reduceat(self.own_system[places], begins)


def _first_known(values: NDArray[Any], known: Flags, begins: Indices) -> NDArray[Any]:
    """The first known one of each run of values, or the last where none is known."""
    place = np.where(known, np.arange(values.size), values.size - 1)
    lasts = np.append(begins[1:], values.size) - 1
    chosen: NDArray[Any] = values[np.minimum(np.minimum.reduceat(place, begins), lasts)]
    return chosen
