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
    if good.sum() >= FEW:
        rest = detrended - _running_median(detrended, good)
        off[good & (rest < -REJECT_S)] = -1
        off[good & (rest > REJECT_S)] = 1
    return off


def _levels(values: Floats, may_drift: Floats) -> NDArray[np.int64]:
    """Whole seconds that each value stands above the first; single late ones are below the level, and do not move it.

    The level follows the earliest values at once and late ones slowly, so a slow drift never counts (``may_drift``: how
    far it may go from one value to the next). It steps when some values in a row stand at the same other height.
    """
    out = np.empty(len(values), dtype=np.int64)
    out[0] = level = 0
    base = float(values[0])
    elsewhere: list[int] = []
    for index, limit in enumerate(may_drift.tolist(), start=1):
        away = float(values[index]) - base
        whole = round(away)
        if abs(away) <= limit or whole == 0:
            base += away if away > 0 or limit > 1.0 else 0.02 * away
            out[index] = level
            elsewhere.clear()
            continue
        if elsewhere and abs(values[index] - values[elsewhere[-1]]) > 0.3:
            elsewhere.clear()
        elsewhere.append(index)
        out[index] = level + whole
        if len(elsewhere) == FEW:
            level += whole
            base = float(values[elsewhere].max())
            out[elsewhere] = level
            elsewhere.clear()
    return out


def _running_median(values: Floats, good: Flags) -> Floats:
    """Median over 31 good marks around each, interpolated between."""
    places = np.flatnonzero(good)
    kept = values[places]
    reach = 15
    padded = np.concatenate((kept[:1].repeat(reach), kept, kept[-1:].repeat(reach)))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)
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
