"""The epochs of a window as columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.bulk.buffer import Ints
from offtake.dialects.bulk.columns import offsets_of
from offtake.dialects.bulk.decode import Tables
from offtake.track.bulk.cut import Stretch
from offtake.track.bulk.merge import Merger
from offtake.track.bulk.steps import Steps
from offtake.track.bulk.times import Times
from offtake.track.bulk_sky import gather_skies
from offtake.track.epochs import Epoch
from offtake.track.fixes import FixColumns
from offtake.track.marks import MarkColumns
from offtake.track.skies import SkyColumns

# From so many pieces on it is quicker to put the epochs in order one by one.
_PIECES = 8
_OBJECTS = 2048


@dataclass(frozen=True)
class EpochBatch:
    """Some epochs of a run in stream order. ``fixes`` and ``marks`` have a row for each of them, ``skies`` one for each
    that told of satellites (``fix`` is its row in this batch's fixes); none has its UTC yet."""

    fixes: FixColumns
    marks: MarkColumns
    skies: SkyColumns

    @classmethod
    def of(cls, epochs: Sequence[Epoch], run: int) -> EpochBatch:
        """Return ``epochs`` as columns."""
        rows = np.array([row for row, epoch in enumerate(epochs) if epoch.sky is not None], np.int64)
        return cls(
            FixColumns.from_fixes([epoch.fix for epoch in epochs], run),
            MarkColumns.from_marks([epoch.mark for epoch in epochs]),
            SkyColumns.from_skies([epoch.sky for epoch in epochs if epoch.sky is not None], run, rows),
        )

    @classmethod
    def concat(cls, parts: Sequence[EpochBatch]) -> EpochBatch:
        """Return the epochs of ``parts``, one at least and all of one run, one after another."""
        starts = offsets_of(np.array([len(part.fixes) for part in parts], np.int64)).tolist()
        moved = [part.skies.moved(start) for part, start in zip(parts, starts[:-1], strict=True)]
        return cls(
            FixColumns.concat([part.fixes for part in parts]),
            MarkColumns.concat([part.marks for part in parts]),
            SkyColumns.concat(moved),
        )

    def part(self, first: int, last: int) -> EpochBatch:
        """Return the epochs from ``first`` to before ``last``."""
        within = slice(*np.searchsorted(self.skies.fix, [first, last]).tolist())
        return EpochBatch(self.fixes[first:last], self.marks[first:last], self.skies[within].moved(-first))

    def ordered(self, order: Ints) -> EpochBatch:
        """Return all the epochs in this ``order``, given as row numbers."""
        places = np.empty(order.size, np.int64)
        places[order] = np.arange(order.size)
        skies = replace(self.skies, fix=places[self.skies.fix])
        return EpochBatch(
            self.fixes.taken(order), self.marks.taken(order), skies.taken(np.argsort(skies.fix, kind="stable"))
        )


class Singles:
    """Epochs of run number ``run`` one by one, soon made columns: as objects they take several times the memory."""

    def __init__(self, run: int) -> None:
        self._run = run
        self._batches: list[EpochBatch] = []
        self._epochs: list[Epoch] = []

    def add(self, epochs: Sequence[Epoch]) -> None:
        """Take some more."""
        self._epochs += epochs
        if len(self._epochs) >= _OBJECTS:
            self._turn()

    def batch(self) -> EpochBatch:
        """All of them."""
        self._turn()
        return EpochBatch.concat(self._batches)

    def _turn(self) -> None:
        self._batches.append(EpochBatch.of(self._epochs, self._run))
        self._epochs = []


def woven(plain: EpochBatch, singles: EpochBatch, order: Ints) -> EpochBatch:
    """The epochs of two batches in their ``order``, which gives them as row numbers: those of ``singles`` come behind
    those of ``plain``, and each batch is in order by itself."""
    turns = np.flatnonzero(np.diff(order) != 1) + 1
    if turns.size > _PIECES:
        return EpochBatch.concat([plain, singles]).ordered(order)
    count, pieces = len(plain.fixes), []
    for first, last in pairwise([0, *turns.tolist(), order.size]):
        begin, size = int(order[first]), last - first
        batch, at = (plain, begin) if begin < count else (singles, begin - count)
        # A run of row numbers may go on from the one batch to the other.
        within = min(size, len(batch.fixes) - at)
        pieces.append(batch.part(at, at + within))
        if within < size:
            pieces.append(singles.part(0, size - within))
    return EpochBatch.concat(pieces)


def plain_epochs(
    run: int,
    steps: Steps,
    times: Times,
    tables: Tables,
    stretches: Sequence[Stretch],
    merger: Merger,
) -> EpochBatch:
    """The epochs of ``stretches`` (one at least, rising), merged."""
    lengths = np.concatenate([np.diff(one.start) for one in stretches])
    count = lengths.size
    epoch_of = np.full(len(steps), -1, np.int64)
    lost = np.zeros(count, np.bool_)
    done = 0
    for one in stretches:
        rows, numbers = slice(int(one.start[0]), int(one.start[-1])), slice(done, done + len(one))
        epoch_of[rows] = np.repeat(np.arange(numbers.start, numbers.stop), lengths[numbers])
        lost[numbers] = np.logical_or.reduceat(times.after_loss[rows], one.start[:-1] - one.start[0])
        done = numbers.stop
    tick_us, day_us, week_us = (
        np.concatenate([getattr(one, name) for one in stretches]) for name in ("tick_us", "day_us", "week_us")
    )
    merged = merger.merge(steps, epoch_of, count)
    skies = gather_skies(tables, _rows_epochs(steps, epoch_of, merger), count)
    given: dict[str, NDArray[np.generic]] = {
        **merged.fixes,
        "time_of_day_us": day_us,
        "satellites_in_view": skies.in_view,
        "after_loss": lost,
        "source_offset": steps.offset[epoch_of >= 0],
        "source_start": offsets_of(lengths),
    }
    return EpochBatch(
        FixColumns.from_columns(run, tick_us, given, merger.words.every),
        MarkColumns(
            tick_us=tick_us,
            time_of_day_us=day_us,
            time_of_week_us=week_us,
            after_loss=lost,
            **merged.marks,
        ),
        skies.columns(run, tick_us, np.arange(count)),
    )


def _rows_epochs(steps: Steps, epoch_of: Ints, merger: Merger) -> dict[tuple[str, str], Ints]:
    """The epoch of each row of each table that tells of satellites; -1 for none."""
    found: dict[tuple[str, str], Ints] = {}
    for key in merger.satellite_kinds:
        one = steps.of_table.get(key)
        if one is not None:
            found[key] = np.full(len(one.table), -1, np.int64)
            found[key][one.row] = epoch_of[one.at]
    return found
