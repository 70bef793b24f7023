"""Steps of the receiver's time against the logger's ticks."""

from __future__ import annotations

import numpy as np

from offtake.track.columns import Epochs, clock_steps_us
from offtake.track.contribution import DAY_US
from offtake.track.finding import Finding, seconds_text
from offtake.track.geodesy import Floats
from offtake.track.limits import Limits
from offtake.track.ragged import Flags, Indices

# Epochs before and after a step whose medians must differ: a single late epoch is none.
_AROUND = 5
_RETURNS_WITHIN = 6
_REGULAR_S = 0.1


def find_clock_steps(
    epochs: Epochs, first: int, standing: list[Finding], limits: Limits
) -> tuple[list[Finding], Flags]:
    """Return where, from epoch ``first`` (the first position) on, the time runs backwards or steps.

    A receiver's clock before its first position is not judged: it is being set. Steps into and out of the epochs of
    ``standing`` time are passed over. A step that comes back within a few epochs is one finding. The flags, one for
    each epoch's way from the one before, say where the receiver's time does not tell how much passed.
    """
    distrusted = np.full(len(epochs.clock_us), epochs.whole_seconds)
    for one in standing:
        distrusted[one.first : one.last + 2] = True
    told = (first + np.flatnonzero(epochs.clock_us[first:] >= 0)).astype(np.int64)
    if len(told) < 2:
        return [], distrusted
    wild, clock_s, ticks_s = _wild_steps(epochs, told, limits)
    wild &= ~_touching(standing, told)
    distrusted[told[1:][wild]] = True
    step_s = clock_s - ticks_s
    findings = []
    legs = np.flatnonzero(wild)
    at = 0
    while at < len(legs):
        leg, end = int(legs[at]), at
        if at + 1 < len(legs) and legs[at + 1] - leg <= _RETURNS_WITHIN:
            rest = float(step_s[leg] + step_s[legs[at + 1]])
            if abs(rest) <= max(limits.clock_step_s, 0.2 * abs(float(step_s[leg]))):
                end = at + 1
        last = int(legs[end]) if end > at else leg + 1
        findings.append(_finding(int(told[leg + 1]), int(told[last]), float(clock_s[leg]), float(ticks_s[leg])))
        at = end + 1
    return findings, distrusted


def _wild_steps(epochs: Epochs, told: Indices, limits: Limits) -> tuple[Flags, Floats, Floats]:
    """Which ways between ``told`` epochs step, and the seconds that pass on each by the receiver and by the ticks.

    Output that comes late makes a tick step irregular and takes it back soon; a clock that steps does so between
    regular ticks, or stays moved, or moves by more than output is ever late.
    """
    ticks_s = np.diff(epochs.tick_us[told]) / 1e6
    clock_s = clock_steps_us(epochs.clock_us[told]) / 1e6
    # Over half a day and more the time of day alone does not say how much time passed; its remainder does.
    step_s = (clock_s - ticks_s + 43_200.0) % 86_400.0 - 43_200.0
    allowed = limits.clock_step_s + limits.clock_rate * np.maximum(ticks_s, 0) + float(epochs.whole_seconds)
    regular = np.abs(ticks_s - (epochs.interval_s or 0.0)) <= _REGULAR_S
    wild = regular | _lasts(step_s, allowed) | (np.abs(step_s) > limits.clock_late_s) | (clock_s < 0)
    # Out of a leap second the time of day begins again: one second is told twice, by another name.
    wild &= epochs.clock_us[told[:-1]] < DAY_US
    return np.asarray(wild & (np.abs(step_s) > allowed)), ticks_s + step_s, ticks_s


def _finding(first: int, last: int, clock_s: float, ticks_s: float) -> Finding:
    evidence = (("clock_step_s", clock_s), ("tick_step_s", ticks_s), ("disagreement_s", clock_s - ticks_s))
    if clock_s < 0:
        text = f"The receiver's time goes back {seconds_text(-clock_s)}; by the ticks {seconds_text(ticks_s)} pass."
        return Finding("time_backwards", first, last, evidence, text)
    text = f"The receiver's time goes on {seconds_text(clock_s)}; by the ticks {seconds_text(ticks_s)} pass."
    return Finding("time_jump", first, last, evidence, text)


def _lasts(step_s: Floats, allowed: Floats) -> Flags:
    """Whether the clock stays moved: the medians of its offset on both sides differ by more than is ``allowed``."""
    offset = np.concatenate(([0.0], np.cumsum(step_s)))
    padded = np.pad(offset, _AROUND, mode="edge")
    windows = np.median(np.lib.stride_tricks.sliding_window_view(padded, _AROUND), axis=1)
    legs = np.arange(len(step_s))
    # Padded by _AROUND, the window that starts at p holds the offsets p - _AROUND to p - 1.
    before, after = windows[legs + 1], windows[legs + 1 + _AROUND]
    return np.asarray(np.abs(after - before) > allowed)


def _touching(standing: list[Finding], told: Indices) -> Flags:
    """Legs between told epochs that begin or end within a stretch of standing time."""
    within = np.zeros(len(told), dtype=bool)
    for one in standing:
        within |= (told >= one.first) & (told <= one.last)
    return within[1:] | within[:-1]
