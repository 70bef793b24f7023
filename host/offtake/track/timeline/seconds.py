"""Epochs that tell another second than the run as a whole: late by much, wrong, or told before all leap seconds were
known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from offtake.track.timeline.envelope import FEW, slope_of
from offtake.track.timeline.line import REJECT_S, RESONATOR_ERROR

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_EARLY_STRETCH = 3
# Leap seconds a receiver may lack when it starts.
_LEARNT_MAX_S = 20
# How far the level goes towards a late value; and a drift so great, after a silence, that it says nothing.
_FOLLOWS = 0.02
_LONG_AGO = 1.0
# Values that are looked at together where all is calm, and good ones to either side that a median is taken of.
_BLOCK = 256
_REACH = 15


def whole_seconds_off(x: Floats, y: Floats, trusted: Flags) -> NDArray[np.int64]:
    """Of each mark the whole seconds it is off from where the run as a whole stands; 0 for the good ones.

    A receiver that learns of leap seconds on its way steps once and stays: where it stood last, in the later half, is
    right.
    """
    if len(x) == 1:
        return np.zeros(1, dtype=np.int64)
    detrended = y - x - slope_of(x, y - x) * (x - x[0])
    unknown_rate = 0.002 if len(x) >= FEW else 2.2 * RESONATOR_ERROR
    level = _levels(detrended, 0.4 + np.diff(x) * unknown_rate)
    half = len(level) // 2
    votes = level[half:][trusted[half:]] if trusted[half:].any() else level[trusted] if trusted.any() else level[half:]
    values, counts = np.unique(votes, return_counts=True)
    off = level - int(values[np.argmax(counts)])
    # Part of a second late or early, but not near to a whole one: out as well.
    good = off == 0
    if good.sum() >= FEW and not _calm(detrended, good):
        rest = detrended - _running_median(detrended, good)
        off[good & (rest < -REJECT_S)] = -1
        off[good & (rest > REJECT_S)] = 1
    return off


def _levels(values: Floats, may_drift: Floats) -> NDArray[np.int64]:
    """Whole seconds that each value stands above the first; single late ones are below the level, and do not move it.

    The level follows the earliest values at once and late ones slowly, so a slow drift never counts (``may_drift``: how
    far it may go from one value to the next). It steps when some values in a row stand at the same other height.
    """
    out = np.zeros(len(values), dtype=np.int64)
    level = _Level(float(values[0]))
    for start in range(1, len(values), _BLOCK):
        block, limits = values[start : start + _BLOCK], may_drift[start - 1 : start - 1 + _BLOCK]
        spread = max(float(block.max()), level.base) - min(float(block.min()), level.base)
        if spread <= 0.5 and limits.max() <= _LONG_AGO:
            out[start : start + _BLOCK] = level.calm(block)
        else:
            for index, limit in enumerate(limits.tolist(), start=start):
                level.add(values, index, limit, out)
    return out


class _Level:
    """Where values stand, while they are gone through: ``base`` is the height of the present ``level``."""

    def __init__(self, base: float) -> None:
        self.base = base
        self._level = 0
        self._elsewhere: list[int] = []

    def calm(self, block: Floats) -> int:
        """Go on over values that all lie within half a second of the base and each other; returns their level."""
        self._elsewhere.clear()
        # What :meth:`add` makes of each, the greater of the value and of a mean that leans to the base, is linear in
        # the sense of (max, +), so the last one's is the greatest that any value or the base leads to.
        keeps = (1 - _FOLLOWS) ** np.arange(len(block) - 1, -1, -1)
        after = np.cumsum((_FOLLOWS * keeps * block)[::-1])[::-1]
        led = keeps * block + np.append(after[1:], 0.0)
        self.base = max(float(led.max()), (1 - _FOLLOWS) * float(keeps[0]) * self.base + float(after[0]))
        return self._level

    def add(self, values: Floats, index: int, limit: float, out: NDArray[np.int64]) -> None:
        """Go on to value number ``index``, and write its level."""
        elsewhere = self._elsewhere
        away = float(values[index]) - self.base
        whole = round(away)
        if abs(away) <= limit or whole == 0:
            self.base += away if away > 0 or limit > _LONG_AGO else _FOLLOWS * away
            out[index] = self._level
            elsewhere.clear()
            return
        if elsewhere and abs(values[index] - values[elsewhere[-1]]) > 0.3:
            elsewhere.clear()
        elsewhere.append(index)
        out[index] = self._level + whole
        if len(elsewhere) == FEW:
            self._level += whole
            self.base = float(values[elsewhere].max())
            out[elsewhere] = self._level
            elsewhere.clear()


def _calm(values: Floats, good: Flags) -> bool:
    """Whether no value can be :data:`REJECT_S` away from the median around it."""
    if not good.all():
        return False
    starts = range(0, len(values), _BLOCK)
    return all(np.ptp(values[max(0, start - _REACH) : start + _BLOCK + _REACH]) <= REJECT_S for start in starts)


def _running_median(values: Floats, good: Flags) -> Floats:
    """Median over 31 good marks around each, interpolated between."""
    places = np.flatnonzero(good)
    kept = values[places]
    padded = np.concatenate((kept[:1].repeat(_REACH), kept, kept[-1:].repeat(_REACH)))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * _REACH + 1), axis=1)
    return np.interp(np.arange(len(values)), places, medians)


def learning(whole: NDArray[np.int64], trusted: Flags) -> NDArray[np.int64]:
    """By how many whole seconds each mark is to be put right: those of a stretch at the run's start in which the
    receiver vouched for a time that was off by some, because it had not yet heard of all leap seconds.

    That is as many for all of the stretch; marks of it that are off by another number came late besides.
    """
    start = int(np.argmax(whole == 0)) if (whole == 0).any() else 0
    early = (np.arange(len(whole)) < start) & trusted & (np.abs(whole) <= _LEARNT_MAX_S)
    if early.sum() < _EARLY_STRETCH:
        return np.zeros(len(whole), dtype=np.int64)
    values, counts = np.unique(whole[early], return_counts=True)
    return np.where(early, values[np.argmax(counts)], 0)
