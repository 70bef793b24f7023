"""The rows of the tables of fixes and satellites, some thousand at a time, and how many positions they hold."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from offtake.export.columns import FixRows
from offtake.export.inputs import doubts_of, positive_gap_us
from offtake.export.values import ExportCounts
from offtake.track.analysis import Analysis
from offtake.track.fixes import FixColumns
from offtake.track.segments import GAP_S
from offtake.track.skies import SkyColumns

ROWS_AT_ONCE = 16_384


def fix_rows_of(fixes: FixColumns, analysis: Analysis | None, number: int = 0) -> Iterator[FixRows]:
    """Every one of ``fixes``, the first of which is ``number`` in its run, with what its ``analysis`` (whose numbers
    count from the first of ``fixes``) doubts."""
    doubt, doubts = doubts_of(analysis.glitches if analysis else (), len(fixes))
    for first in range(0, len(fixes), ROWS_AT_ONCE):
        stop = first + ROWS_AT_ONCE
        part = fixes[first:stop]
        numbers = np.arange(number + first, number + first + len(part), dtype=np.int64)
        yield FixRows(part, numbers, doubt[first:stop], doubts)


def kept_rows(rows: FixRows, kept: NDArray[np.bool_]) -> FixRows:
    """Those of ``rows`` that are ``kept``."""
    if kept.all():
        return rows
    return FixRows(rows.fixes.taken(kept), rows.number[kept], rows.doubt[kept], rows.doubts)


def sky_rows_of(skies: SkyColumns) -> Iterator[SkyColumns]:
    """The ``skies``, some at a time."""
    # A sky has a few dozen satellites.
    step = ROWS_AT_ONCE // 32
    return (skies[first : first + step] for first in range(0, len(skies), step))


class PositionCounter:
    """Counts positions and segments, run by run and part by part."""

    def __init__(self, gap_s: float = GAP_S) -> None:
        self._gap_us = positive_gap_us(gap_s)
        self._positions = self._segments = 0
        self._open: int | None = None

    @property
    def counts(self) -> ExportCounts:
        """All so far."""
        return ExportCounts(self._positions, self._segments, 0)

    def add(
        self,
        fixes: FixColumns,
        analysis: Analysis | None,
        kept: NDArray[np.bool_] | None = None,
        *,
        continued: bool = False,
    ) -> None:
        """Take in a run's fixes, those that are ``kept``, parted where the analysis found gaps, or else where ticks are
        far apart. They may have ``continued`` those before, of the same run."""
        rows = np.flatnonzero(fixes.has_position if kept is None else fixes.has_position & kept)
        self._positions += len(rows)
        if not continued:
            self._open = None
        if not len(rows):
            return
        ticks = fixes.tick_us[rows]
        if analysis is None:
            before = np.append(ticks[0] if self._open is None else self._open, ticks[:-1])
            cuts = ticks - before > self._gap_us
        else:
            ends = np.array(sorted({gap.last for gap in analysis.gaps if gap.last is not None}), dtype=np.int64)
            cuts = np.isin(rows, ends)
        cuts[0] |= self._open is None
        self._open = int(ticks[-1])
        self._segments += int(np.count_nonzero(cuts))
