"""Stretches of which every byte came late: the earliest of them is no measure.

A busy receiver may send all its epochs late for a while. Then the marks' upper edge falls at once, and comes back at
once, faster than a resonator's rate can change.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from offtake.track.timeline.envelope import pieces_of, rank_of

Floats = NDArray[np.float64]

# The edge is looked at in pieces of so many seconds and marks.
_PIECE_S = 10.0
_PIECE_MARKS = 10
_PIECES_LEAST = 4
_EDGE_SHARE = 0.1
# What the edge may fall or rise from piece to piece: by a rate (a resonator's changes by less), by what it scatters,
# and by so many seconds.
_RATE = 1e-3
_SCATTERS = 5.0
_STEP_S = 2e-3
# How long such a stretch may last; at a run's ends and at silences, which tell less, shorter.
_LONGEST_S = 900.0
_LONGEST_AT_ENDS_S = 300.0
# Pieces further apart than so many usual ones have a silence between them.
_SILENCE_TIMES = 3.0


def all_late(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Which marks lie in such a stretch. ``x`` are ticks in seconds in order, ``y`` how early each mark is, in seconds.

    Lateness that stays for longer cannot be told from a receiver that answers more slowly from then on, and is kept.
    """
    pieces = pieces_of(x, _PIECE_S, _PIECE_MARKS)
    late = np.zeros(len(x), dtype=bool)
    if len(pieces) < _PIECES_LEAST:
        return late
    bounds = np.array(pieces, dtype=np.int64)
    at = (x[bounds[:, 0]] + x[bounds[:, 1] - 1]) / 2
    # Not the very earliest: one mark that is early is no rise.
    edge = rank_of(y, pieces, _EDGE_SHARE)
    scatter = float(np.median(np.abs(np.diff(edge, 2))))
    limit = _RATE * np.diff(at) + _SCATTERS * scatter + _STEP_S
    for first, last in _dips(at, edge, limit):
        # The pieces where it begins and ends hold marks of both kinds.
        begin, end = pieces[first][0], pieces[last][1]
        if first > 0:
            start, stop = pieces[first - 1]
            good = np.flatnonzero(y[start:stop] >= edge[first - 1] - limit[first - 1] / 2)
            begin = start + int(good[-1]) + 1
        if last < len(pieces) - 1:
            start, stop = pieces[last + 1]
            good = np.flatnonzero(y[start:stop] >= edge[last + 1] - limit[last] / 2)
            end = start + int(good[0])
        late[begin:end] = True
    return late if late.sum() * 2 <= len(late) else np.zeros(len(x), dtype=bool)


def _dips(at: Floats, edge: Floats, limit: Floats) -> list[tuple[int, int]]:
    """The first and the last piece of each dip of ``edge``; ``limit`` is how far it may go from piece to piece.

    A dip begins with a fall and ends with a rise; or at an end of the run, or at a silence, if that is near.
    """
    falls, rises = np.flatnonzero(np.diff(edge) < -limit), np.flatnonzero(np.diff(edge) > limit)
    silent = np.flatnonzero(np.diff(at) > _SILENCE_TIMES * max(_PIECE_S, float(np.median(np.diff(at)))))
    steps = {int(one): -1 for one in falls} | {int(one): 1 for one in rises}
    # Where a silence itself holds a fall or a rise is not known.
    steps |= {int(one): 0 for one in silent} | {-1: 0, len(edge) - 1: 0}
    order = sorted(steps)
    found: list[tuple[int, int]] = []
    for before, after in pairwise(order):
        kinds = steps[before], steps[after]
        longest = _LONGEST_S if kinds == (-1, 1) else _LONGEST_AT_ENDS_S
        if kinds in ((-1, 1), (-1, 0), (0, 1)) and at[after] - at[before + 1] <= longest:
            found.append((before + 1, after))
    return found
