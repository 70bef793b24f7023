"""The line above a run's marks: knots through its earliest ones, stretch by stretch.

In each stretch the line is the one that lies above all marks and is closest to them, an edge of their convex hull (the
method of Moon, Skelly and Towsley for clocks seen through a network, INFOCOM 1999; from memory). The logger's resonator
is up to 0.5 % off and drifts with temperature, so the stretches are short, and the bend found with short ones is taken
out before longer ones find the rest. One mark that came too early would lift the whole edge: such are found first.

All functions take marks in order of ticks: ``x`` in seconds of the logger, ``y`` in seconds, how early each is.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from offtake.track.timeline.line import RESONATOR_ERROR, along
from offtake.track.timeline.smooth import smoothed

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.int64]

FEW = 8
"""Marks of which a rate can be told."""

_STRETCH_S = (45.0, 150.0)
_STRETCH_MARKS = (20, 50)
# What the earliest of a stretch may be late in the mean; while it is later, stretches get longer, to twelve times.
_AIM_S = (1e-3, 2e-4)
# What a knot is off in any case, and how many knots away a bend makes it less sure.
_KNOT_S = 5e-4
_BEND_KNOTS = 3
# Marks compared with one another to find early ones. Of these, counted from the earliest, at most so many can be early;
# the distance from there to the earliest third is the measure (of exponential lateness a third is below 0.405).
_PEERS, _PEERS_S = 48, 30.0
_PEER_HIGH, _PEER_HIGH_SHARE = 4, 0.03
_THIRD = -math.log(1 - 1 / 3)
_DEVIATIONS = 4.0
_EARLY_S = 5e-4
# A trend to compare them on: per piece of so many seconds and marks the height that a quarter exceeds.
_TREND_S = 20.0
_TREND_MARKS = 20
_TREND_SHARE = 0.25
_EDGE_STEPS = 60


def slope_of(x: Floats, y: Floats) -> float:
    """Median slope over pairs some way apart, within what a resonator can do; 0 where there are few marks."""
    if len(x) < FEW:
        return 0.0
    apart = max(1, min(len(x) // 2, 200))
    run, rise = x[apart:] - x[:-apart], y[apart:] - y[:-apart]
    good = run > 0
    if not good.any():
        return 0.0
    slope = float(np.median(rise[good] / run[good]))
    return slope if abs(slope) <= 2 * RESONATOR_ERROR else 0.0


def too_early(x: Floats, y: Floats) -> Flags:
    """Which marks stand out above their neighbours by more than those scatter: what they tell was not sent then.

    Some in a hundred are found; one that is early by less than the jitter of the others is not. Where all of a stretch
    are late, those before and after it do not stand out.
    """
    out = np.zeros(len(x), dtype=bool)
    if len(x) < _PEERS // 2:
        return out
    pieces = pieces_of(x, _TREND_S, _TREND_MARKS)
    rest = y - _trend(x, y, pieces)
    # Above the neighbouring pieces too: where all of a stretch are late, the trend is too low beside it.
    height = rank_of(rest, pieces, _TREND_SHARE)
    padded = np.concatenate((height[:1], height, height[-1:]))
    highest = np.maximum(np.maximum(padded[:-2], padded[1:-1]), padded[2:])
    ceiling = np.repeat(highest, [end - start for start, end in pieces])
    for _, places in _stacked(pieces_of(x, _PEERS_S, _PEERS)):
        peers, count = rest[places], places.shape[1]
        high = max(_PEER_HIGH, int(count * _PEER_HIGH_SHARE))
        ordered = np.sort(peers, axis=1)[:, ::-1]
        third = ordered[:, high] - ordered[:, count // 3]
        # Lateness that is spread exponentially: the earliest lies above the `high`-th by this share of `third`, give
        # and take a `high`-th root.
        above = high / count
        margin = above / (_THIRD - above) * (1 + _DEVIATIONS / math.sqrt(high)) * third + _EARLY_S
        out[places] = (peers > (ordered[:, high] + margin)[:, None]) & (peers > ceiling[places] + margin[:, None])
    return out


def _trend(x: Floats, y: Floats, pieces: list[tuple[int, int]]) -> Floats:
    """A rough course of ``y`` that single marks do not move."""
    bounds = np.array(pieces, dtype=np.int64)
    at = (x[bounds[:, 0]] + x[bounds[:, 1] - 1]) / 2
    height = rank_of(y, pieces, _TREND_SHARE)
    if len(height) >= 3:
        # A piece of which many marks are early does not count.
        height[1:-1] = np.median(np.stack((height[:-2], height[1:-1], height[2:])), axis=0)
    return along(x, at, smoothed(at, height))


def rank_of(y: Floats, pieces: list[tuple[int, int]], share: float) -> Floats:
    """What this ``share`` of each piece exceeds."""
    out = np.empty(len(pieces))
    for rows, places in _stacked(pieces):
        rank = places.shape[1] - int(places.shape[1] * share) - 1
        out[rows] = np.partition(y[places], rank, axis=1)[:, rank]
    return out


def pieces_of(x: Floats, length_s: float, marks: int) -> list[tuple[int, int]]:
    """Return (start, end) of pieces side by side, of so many seconds and marks at least; the rest joins the last."""
    pieces: list[tuple[int, int]] = []
    ends = _ends(x, length_s, marks)
    start = 0
    while start < len(x):
        end = int(ends[start])
        if end > len(x) - marks:
            end = len(x)
        pieces.append((start, end))
        start = end
    return pieces


def _ends(x: Floats, length_s: float, marks: int) -> Indices:
    """Where a piece of so many seconds and marks at least would end that began at each mark."""
    return np.maximum(np.searchsorted(x, x + length_s), np.arange(len(x)) + marks)


def _stacked(pieces: list[tuple[int, int]]) -> Iterator[tuple[Indices, Indices]]:
    """Pieces of one length at a time: their numbers, shape (m,), and the places of their marks, shape (m, length)."""
    bounds = np.array(pieces, dtype=np.int64).reshape(-1, 2)
    lengths = bounds[:, 1] - bounds[:, 0]
    for length in np.unique(lengths).tolist():
        rows = np.flatnonzero(lengths == length)
        yield rows, bounds[rows, :1] + np.arange(length)


def knots(x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Knots of the line: ticks, heights, and how far each may be off (95 %), in seconds.

    The more the marks scatter, the longer the stretches: of ``n`` marks the earliest is late by the ``n``-th part of
    what they are late in the mean.
    """
    short_x, short_y = _envelope(x, y, _STRETCH_S[0], _STRETCH_MARKS[0])
    late_s = _lateness(y - along(x, short_x, short_y))
    marks = [int(min(max(least, late_s / aim), 12 * least)) for least, aim in zip(_STRETCH_MARKS, _AIM_S, strict=True)]
    if marks[0] > _STRETCH_MARKS[0]:
        short_x, short_y = _envelope(x, y, _STRETCH_S[0], marks[0])
    smooth = smoothed(short_x, short_y)
    long_x, long_y = _envelope(x, y - along(x, short_x, smooth), _STRETCH_S[1], marks[1])
    knots_x = np.unique(np.concatenate((short_x, long_x)))
    heights = along(knots_x, short_x, smooth) + along(knots_x, long_x, long_y)
    lateness = _lateness(y - along(x, knots_x, heights))
    each = len(x) * _STRETCH_S[0] / max(float(x[-1] - x[0]), _STRETCH_S[0])
    earliest = lateness / min(max(each, marks[0], 1.0), len(x))
    # An edge rests on two marks, which are late by some of that; half of it was measured on simulated runs.
    return knots_x, heights + earliest / 2, _KNOT_S + 3.0 * earliest + along(knots_x, short_x, _bends(smooth))


def _lateness(rest: Floats) -> float:
    """How late the marks are in the mean, told by the median: a share that is very late does not count."""
    return float(np.median(np.maximum(-rest, 0.0))) / math.log(2)


def _bends(heights: Floats) -> Floats:
    """How much the line bends at its knots or near them: there, and between, it may be off by some of it."""
    bend = np.zeros(len(heights))
    if len(heights) >= 3:
        bend[1:-1] = np.abs(np.diff(heights, 2)) / 2
    reach = min(_BEND_KNOTS, len(heights) - 1)
    padded = np.concatenate((np.zeros(reach), bend, np.zeros(reach)))
    highest: Floats = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).max(axis=1)
    return highest


def _envelope(x: Floats, y: Floats, stretch_s: float, stretch_marks: int) -> tuple[Floats, Floats]:
    """Where the line above each stretch of marks passes the stretch's middle, and both ends of the run."""
    pieces = _stretches(x, stretch_s, stretch_marks)
    bounds = np.array(pieces, dtype=np.int64)
    middles = (x[bounds[:, 0]] + x[bounds[:, 1] - 1]) / 2
    heights, slopes = np.empty(len(pieces)), np.empty(len(pieces))
    for rows, places in _stacked(pieces):
        heights[rows], slopes[rows] = _edges(x[places] - middles[rows, None], y[places])
    out_x: list[float] = []
    out_y: list[float] = []
    middle = height = slope = 0.0
    for middle, height, slope in zip(middles.tolist(), heights.tolist(), slopes.tolist(), strict=True):
        if not out_x and x[0] < middle:
            out_x.append(float(x[0]))
            out_y.append(height + slope * (float(x[0]) - middle))
        if not out_x or middle > out_x[-1]:
            out_x.append(middle)
            out_y.append(height)
    if x[-1] > out_x[-1]:
        out_x.append(float(x[-1]))
        out_y.append(height + slope * (float(x[-1]) - middle))
    return np.array(out_x), np.array(out_y)


def _stretches(x: Floats, stretch_s: float, stretch_marks: int) -> list[tuple[int, int]]:
    """Half-overlapping stretches of at least so many seconds and marks; a short rest joins the one before."""
    pieces: list[tuple[int, int]] = []
    ends = _ends(x, stretch_s, stretch_marks)
    start = 0
    while start < len(x):
        end = int(ends[start])
        if end >= len(x) - stretch_marks // 2:
            pieces.append((start, len(x)))
            break
        pieces.append((start, end))
        start = max(start + 1, (start + end) // 2)
    return pieces


def _edges(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Of each row of marks the upper convex hull's edge over the mean of ``x``: its height at 0 and its slope.

    From any line through a point on either side of the mean: the point furthest above it takes the place of the one on
    its side, until none is above.
    """
    left = x <= x.mean(axis=1)[:, None]
    slope = np.zeros(len(x))
    height = y.max(axis=1)
    rows = np.flatnonzero(~(left.all(axis=1) | (x[:, 0] == x[:, -1])))
    a = np.argmax(np.where(left, y, -np.inf), axis=1)
    b = np.argmax(np.where(left, -np.inf, y), axis=1)
    for _ in range(_EDGE_STEPS):
        if not len(rows):
            break
        xs, ys, ends = x[rows], y[rows], np.arange(len(rows))
        one, two = a[rows], b[rows]
        rise = (ys[ends, two] - ys[ends, one]) / (xs[ends, two] - xs[ends, one])
        above = ys - ys[ends, one, None] - rise[:, None] * (xs - xs[ends, one, None])
        highest = np.argmax(above, axis=1)
        goes_on = ~((above[ends, highest] <= 1e-12) | (highest == one) | (highest == two))
        on_left = left[rows, highest]
        a[rows] = np.where(goes_on & on_left, highest, one)
        b[rows] = np.where(goes_on & ~on_left, highest, two)
        slope[rows] = rise
        height[rows] = ys[ends, a[rows]] - rise * xs[ends, a[rows]]
        rows = rows[goes_on]
    return height, slope
