"""Stretches of a track without a gap."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from offtake.errors import UsageError
from offtake.track.fix import Track
from offtake.track.fixes import FixColumns
from offtake.track.ragged import Indices

GAP_S = 10.0


def segment_rows(fixes: FixColumns, gap_s: float = GAP_S) -> list[Indices]:
    """Return the rows of the fixes with a position, parted wherever more than ``gap_s`` seconds lie between two of
    them.

    Seconds are the logger's ticks, which run on while the receiver has no fix or bytes are lost.
    Raises :class:`~offtake.errors.UsageError` when ``gap_s`` is not positive.
    """
    if not gap_s > 0:
        raise UsageError(f"a gap of {gap_s} s", expected="a positive number of seconds")
    rows = np.flatnonzero(fixes.has_position).astype(np.int64)
    if not len(rows):
        return []
    return np.split(rows, np.flatnonzero(np.diff(fixes.tick_us[rows]) > gap_s * 1e6) + 1)


def split_segments(track: Track, gap_s: float = GAP_S) -> Iterator[FixColumns]:
    """Yield the fixes of each of the :func:`segment_rows`."""
    for rows in segment_rows(track.fixes, gap_s):
        yield track.fixes.taken(rows)
