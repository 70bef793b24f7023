"""The satellites of many epochs at once: what :class:`~offtake.track.sky.SkyGather` puts together one by one.

Regular epochs are merged as columns. Those that are not (more satellites or talkers than are kept, numbers that no
receiver gives) go through SkyGather itself.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk import MessageTable, Tables
from offtake.dialects.message import Message
from offtake.track.bulk_sky_merge import Satellites, merge
from offtake.track.bulk_sky_told import FIELDS, Listed, Rows, Told
from offtake.track.fixes import NO_TIME
from offtake.track.ragged import Flags, Indices, starts_of, taken_lists
from offtake.track.skies import SkyColumns
from offtake.track.sky import SATELLITES_KEPT, TALKERS_KEPT, SkyGather
from offtake.track.values import Sky

_READ = (*FIELDS, "system_id", "signal_id", "sentences_total")


def tells_of_satellites(table: MessageTable) -> bool:
    """Whether messages of this kind tell of satellites in view or used."""
    return any(name in table.columns for name in FIELDS)


@dataclass(frozen=True, eq=False)
class EpochSkies:
    """The satellites of n epochs.

    ``in_view`` (shape (n,), -1 not told) counts those in view as the messages do. ``start``, shape (n+1,), says which
    of ``satellites`` are of which epoch; one without any has no sky. ``odd`` (shape (n,)) marks the epochs that were
    not regular.
    """

    in_view: Indices
    start: Indices
    satellites: Satellites
    odd: Flags

    def columns(self, run: int, tick_us: Indices, fix: Indices) -> SkyColumns:
        """The skies of run number ``run``, of epochs at ``tick_us`` (microseconds since power-up, shape (n,)).

        ``fix`` (shape (n,)) is each epoch's row in the fixes; those with -1, which have none, are left out. UTC is not
        known yet.
        """
        epochs = np.flatnonzero((np.diff(self.start) > 0) & (fix >= 0))
        start, places = taken_lists(self.start, epochs)
        every = places.size == self.satellites.epoch.size
        chosen = slice(None) if every else places
        found = self.satellites
        return SkyColumns(
            run=run,
            fix=fix[epochs],
            tick_us=tick_us[epochs],
            utc_us=np.full(epochs.size, NO_TIME, np.int64),
            start=start,
            system=found.system[chosen],
            satellite_id=found.satellite_id[chosen],
            elevation_deg=found.elevation_deg[chosen],
            azimuth_deg=found.azimuth_deg[chosen],
            cn0_db_hz=found.cn0_db_hz[chosen],
            used=found.used[chosen],
            signal_id=found.signal_id[chosen],
        )


def gather_skies(tables: Tables, epochs: Mapping[tuple[str, str], Indices], count: int) -> EpochSkies:
    """The satellites of epochs 0 up to ``count``, each put together from all its messages in the order of the stream.

    ``epochs`` (int64, shape (n,)) says for each row of a table which epoch it is of, -1 for none; of a table that is
    not in it no row is of any. Invalid messages tell of nothing: theirs must be -1.
    """
    chosen = [Rows(table, epochs[key]) for key, table in tables.items() if key in epochs and tells_of_satellites(table)]
    chosen = [one for one in chosen if one.rows.size]
    odd = np.zeros(count, np.bool_)
    in_view = _in_view(chosen, odd)
    _mark_floods(chosen, odd)
    told, listed = _what_they_tell(chosen, odd)
    strange = np.concatenate([*(one.strange for one in told), *(one.strange for one in listed), np.zeros(0, np.int64)])
    if strange.size:
        odd[strange] = True
        told, listed = _what_they_tell(chosen, odd)
    found = merge(told, listed, count)
    if odd.any():
        found = _with_odd(found, chosen, odd, in_view)
    return EpochSkies(in_view, starts_of(np.bincount(found.epoch, minlength=count)), found, odd)


def _what_they_tell(chosen: Sequence[Rows], odd: Flags) -> tuple[list[Told], list[Listed]]:
    regular = [one.without(odd) for one in chosen] if odd.any() else chosen
    told = [rows.told() for rows in regular]
    listed = [rows.listed() for rows in regular]
    return [one for one in told if one is not None], [one for one in listed if one is not None]


def _in_view(chosen: Sequence[Rows], odd: Flags) -> Indices:
    """Satellites in view as each epoch's messages count them; marks epochs with too many talkers as ``odd``."""
    places: dict[str, int] = {"": 0}
    epochs, talkers, counts = [], [], []
    for rows in chosen:
        known, count = rows.counts()
        if known.any():
            names, talker = rows.talkers
            place = np.array([places.setdefault(name, len(places)) for name in names])
            epochs.append(rows.epoch[known])
            talkers.append(place[talker[known]])
            counts.append(count[known])
    in_view = np.full(odd.size, -1, np.int64)
    if not epochs:
        return in_view
    # The greatest count of each talker in each epoch.
    key = np.concatenate(epochs) * len(places) + np.concatenate(talkers)
    order = np.argsort(key, kind="stable")
    key = key[order]
    begins = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
    most = np.maximum.reduceat(np.concatenate(counts)[order], begins)
    epoch, talker = np.divmod(key[begins], len(places))
    odd |= np.bincount(epoch, minlength=odd.size) > TALKERS_KEPT
    # Text sentences of each talker count their own constellation, a message without a talker all there are.
    by_text = np.zeros(odd.size, np.int64)
    np.add.at(by_text, epoch, np.where(talker > 0, most, 0))
    in_view[epoch] = 0
    in_view[epoch[talker == 0]] = most[talker == 0]
    known = in_view >= 0
    in_view[known] = np.maximum(in_view, by_text)[known]
    return in_view


def _mark_floods(chosen: Sequence[Rows], odd: Flags) -> None:
    """Mark epochs that tell of, or list, so many satellites that not all of them may be kept."""
    for lists in (False, True):
        total = np.zeros(odd.size, np.int64)
        for rows in chosen:
            if rows.lists == lists:
                np.add.at(total, rows.epoch, rows.lengths())
        odd |= total > SATELLITES_KEPT


def _with_odd(found: Satellites, chosen: Sequence[Rows], odd: Flags, in_view: Indices) -> Satellites:
    """Put the skies of ``odd`` epochs among those ``found``, and their counts into ``in_view``."""
    skies: list[Sky] = []
    epochs: list[int] = []
    for epoch, gather in _gathered(chosen, odd):
        in_view[epoch] = -1 if gather.in_view is None else gather.in_view
        sky = gather.finish(0, 0)
        if sky is not None:
            skies.append(sky)
            epochs.append(epoch)
    others = SkyColumns.from_skies(skies, 0)
    every = np.concatenate([found.epoch, np.array(epochs, np.int64)[others.sky_of]])
    order = np.argsort(every, kind="stable")

    def joined(name: str) -> NDArray[Any]:
        values: NDArray[Any] = np.concatenate([getattr(found, name), getattr(others, name)])[order]
        return values

    return Satellites(
        epoch=every[order],
        **{one.name: joined(one.name) for one in fields(Satellites) if one.name != "epoch"},
    )


def _gathered(chosen: Sequence[Rows], odd: Flags) -> Iterator[tuple[int, SkyGather]]:
    """The ``odd`` epochs, what their messages tell gathered one by one."""
    table = np.repeat(np.arange(len(chosen)), [one.rows.size for one in chosen])
    row = np.concatenate([one.rows for one in chosen])
    epoch = np.concatenate([one.epoch for one in chosen])
    offset = np.concatenate([one.table.offset[one.rows] for one in chosen])
    order = np.lexsort((offset, epoch))
    order = order[odd[epoch[order]]]
    gather, before = SkyGather(), -1
    for place in order:
        here = int(epoch[place])
        if here != before and before >= 0:
            yield before, gather
            gather = SkyGather()
        before = here
        gather.add(_message(chosen[table[place]].table, int(row[place])))
    if before >= 0:
        yield before, gather


def _message(table: MessageTable, row: int) -> Message:
    """The part of a message that tells of satellites."""
    talker = "" if table.talker is None else str(table.talker.value(row))
    values = {name: table.columns[name].value(row) for name in _READ if name in table.columns}
    return Message(table.dialect, talker, table.message, int(table.offset[row]), b"", "decoded", "", values)
