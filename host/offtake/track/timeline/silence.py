"""Silences so long that the logger's tick counter went round unseen, found by the receiver's own time."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from offtake.track.leap import DAY_S

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# The logger's 32-bit count of 4 us ticks goes round after this many seconds.
WRAP_S = 2**32 * 4e-6
# How far ticks and the receiver's time may come apart without a step: a resonator's 0.5 % (from memory) and some.
_RATE = 0.006
_LATE_S = 1.5
# Known by time of day alone: five rounds are nearly a day.
_ROUNDS_BY_DAY = 4


def rounds_unseen(
    tick_s: Floats, time_of_day: Floats, told_s: Floats, trusted: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """Return where, and how many times, the tick counter went round between one mark and the next.

    All four arrays are of the marks with a time, in stream order; ``told_s`` is date and time of day together in
    seconds, ``nan`` where no date was told. Each find is (place of the first mark after the silence, rounds).

    Where receiver and ticks come apart, the run is cut into pieces. Between two pieces in each of which the receiver
    vouched for its time, its dates say how long the silence was; without dates the time of day does, up to four rounds
    of 4.77 h. A receiver that sets its clock steps too, but not by whole rounds, and seldom after it vouched for it.
    """
    passed = np.diff(tick_s)
    ahead = (np.diff(time_of_day) - passed + DAY_S / 2) % DAY_S - DAY_S / 2
    cuts = np.flatnonzero(np.abs(ahead) > _RATE * np.abs(passed) + _LATE_S) + 1
    if not len(cuts):
        return []
    # A single late epoch, or one wrong time, cuts twice: pieces are only believed when they hold a few marks.
    edges = np.concatenate(([0], cuts, [len(tick_s)]))
    pieces = [(int(a), int(b)) for a, b in pairwise(edges) if b - a >= 3 and trusted[a:b].any()]
    found: list[tuple[int, int]] = []
    for (start, end), (start_after, end_after) in pairwise(pieces):
        last, first = end - 1, start_after
        gone = float(tick_s[first] - tick_s[last])
        before = _epoch_of(slice(start, end), tick_s, told_s, last)
        after = _epoch_of(slice(start_after, end_after), tick_s, told_s, first)
        if before is not None and after is not None:
            rounds = _rounds(after - before - gone, gone)
        else:
            away = (time_of_day[first] - time_of_day[last] - gone + DAY_S / 2) % DAY_S - DAY_S / 2
            by_day = [_rounds(away + days * DAY_S, gone) for days in (0, 1)]
            rounds = next((count for count in by_day if 0 < count <= _ROUNDS_BY_DAY), 0)
        if rounds > 0:
            # What came between the two pieces (a wrong time or a late one) is taken to be after the silence.
            found.append((end, rounds))
    return found


def _epoch_of(piece: slice, tick_s: Floats, told_s: Floats, place: int) -> float | None:
    """The told date and time at mark ``place``, in seconds, by the median of its piece's; to well under a round."""
    since = told_s[piece] - (tick_s[piece] - tick_s[place])
    known = since[~np.isnan(since)]
    return float(np.median(known)) if len(known) else None


def _rounds(away_s: float, gone_s: float) -> int:
    """How many whole rounds ``away_s`` is, 0 when it is none."""
    rounds = round(away_s / WRAP_S)
    if rounds < 1:
        return 0
    near = abs(away_s - rounds * WRAP_S) <= _RATE * (gone_s + rounds * WRAP_S) + _LATE_S
    return rounds if near else 0
