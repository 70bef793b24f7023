"""The line through one run's marks.

The receiver's bytes leave after the epoch they tell of, sometimes much later, never before. Of all marks the earliest
ones are therefore the best: in each stretch of the run the line is the one that lies above all of them and is closest
to them, an edge of their convex hull (the method of Moon, Skelly and Towsley for clocks seen through a network, INFOCOM
1999; from memory). The logger's resonator is up to 0.5 % off and drifts with temperature, so the stretches are short,
and the bend found with short ones is taken out before longer ones find the rest.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from offtake.track.leap import posix_from_gps
from offtake.track.timeline.line import REJECT_S, RESONATOR_ERROR, TimeLine
from offtake.track.timeline.resolve import Resolved, resolve
from offtake.track.timemark import TimeMark

Floats = NDArray[np.float64]

_STRETCH_S = (45.0, 150.0)
_STRETCH_MARKS = (20, 50)
_FEW = 8
_EARLY_STRETCH = 3
# Leap seconds a receiver may lack when it starts.
_LEARNT_MAX_S = 20
_MICROSECOND = dt.timedelta(microseconds=1)


def fit_timeline(marks: Sequence[TimeMark], *, latency_s: float = 0.0) -> TimeLine:
    """Fit one run's ``marks``, in stream order. ``latency_s`` is how long after its epoch the receiver's first byte
    comes at the earliest; a log cannot tell it."""
    resolved = resolve(marks)
    known = np.flatnonzero(~np.isnan(resolved.gps_s))
    if not len(known):
        return TimeLine(
            latency_s=latency_s,
            wraps=resolved.wraps,
            mark_utc=(None,) * len(marks),
            residuals_s=np.full(len(marks), np.nan),
            notes=tuple(resolved.notes),
        )
    x, y = resolved.tick_s[known], resolved.gps_s[known] + latency_s
    whole = _whole_seconds_off(x, y, resolved, known)
    learning = _learning(whole, resolved.trusted[known])
    y = y - np.where(learning, whole, 0)
    used = (whole == 0) | learning
    knots_x, knots_y, bend = _knots(x[used], y[used])
    rejected = int((~used).sum())
    if learning.any():
        seconds = ", ".join(f"{value:+d}" for value in np.unique(whole[learning]))
        resolved.notes.append(f"{learning.sum()} early epochs were put right by whole seconds ({seconds} s too late).")
    line = TimeLine(knots_tick_s=knots_x, knots_gps_s=knots_y)
    residual = y - line.gps_seconds(x)
    late = np.maximum(-residual[used], 0.0)
    jitter = float(late.mean()) if used.any() else 0.0
    residuals = np.full(len(marks), np.nan)
    residuals[known] = residual
    if rejected:
        resolved.notes.append(f"{rejected} of {len(known)} epochs came at another time than they tell.")
    if latency_s == 0.0:
        resolved.notes.append("How long the receiver takes to send an epoch is not known; it is taken as zero.")
    drift, drift_range = _drift(knots_x, knots_y)
    return TimeLine(
        knots_tick_s=knots_x,
        knots_gps_s=knots_y,
        wraps=resolved.wraps,
        latency_s=latency_s,
        jitter_s=jitter,
        knot_error_s=_knot_error(jitter, bend, int(used.sum()), knots_x),
        mark_utc=_mark_utc(marks, resolved.gps_s[known] - np.where(learning | (whole > 0), whole, 0), known),
        residuals_s=residuals,
        marks_used=int(used.sum()),
        marks_rejected=rejected,
        drift_ppm=drift,
        drift_range_ppm=drift_range,
        notes=tuple(resolved.notes),
    )


def _slope(x: Floats, y: Floats) -> float:
    """Median slope of y - x over pairs some way apart, within what a resonator can do."""
    if len(x) < _FEW:
        return 0.0
    apart = max(1, min(len(x) // 2, 200))
    run, rise = x[apart:] - x[:-apart], (y - x)[apart:] - (y - x)[:-apart]
    good = run > 0
    if not good.any():
        return 0.0
    slope = float(np.median(rise[good] / run[good]))
    return slope if abs(slope) <= 2 * RESONATOR_ERROR else 0.0


def _whole_seconds_off(x: Floats, y: Floats, resolved: Resolved, known: NDArray[np.intp]) -> NDArray[np.int64]:
    """Of each mark the whole seconds it is off from where the run as a whole stands; 0 for the good ones.

    A receiver that learns of leap seconds on its way steps once and stays: where it stood last, in the later half, is
    right.
    """
    if len(x) == 1:
        return np.zeros(1, dtype=np.int64)
    detrended = y - x - _slope(x, y) * (x - x[0])
    unknown_rate = 0.002 if len(x) >= _FEW else 2.2 * RESONATOR_ERROR
    level = _levels(detrended, 0.4 + np.diff(x) * unknown_rate)
    trusted = resolved.trusted[known]
    half = len(level) // 2
    votes = level[half:][trusted[half:]] if trusted[half:].any() else level[trusted] if trusted.any() else level[half:]
    values, counts = np.unique(votes, return_counts=True)
    off = level - int(values[np.argmax(counts)])
    # Part of a second late or early, but not near to a whole one: out as well.
    good = off == 0
    if good.sum() >= _FEW:
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
        if len(elsewhere) == _FEW:
            level += whole
            base = float(values[elsewhere].max())
            out[elsewhere] = level
            elsewhere.clear()
    return out


def _running_median(values: Floats, good: NDArray[np.bool_]) -> Floats:
    """Median over 31 good marks around each, interpolated between."""
    places = np.flatnonzero(good)
    kept = values[places]
    reach = 15
    padded = np.concatenate((kept[:1].repeat(reach), kept, kept[-1:].repeat(reach)))
    medians = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), axis=1)
    return np.interp(np.arange(len(values)), places, medians)


def _knots(x: Floats, y: Floats) -> tuple[Floats, Floats, float]:
    """Knots of the line, and how much it bends within a stretch, in seconds."""
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    base = _slope(x, y)
    rest = y - x - y[0] + x[0] - base * (x - x[0])
    if len(x) < _FEW:
        # Too few to tell a rate: the nominal one, through the earliest.
        at = int(np.argmax(rest))
        return x[at : at + 1], y[at : at + 1], 0.0
    short_x, short_y = _envelope(x, rest, _STRETCH_S[0], _STRETCH_MARKS[0])
    smooth = _smoothed(short_x, short_y)
    rest_2 = rest - _along(x, short_x, smooth)
    long_x, long_y = _envelope(x, rest_2, _STRETCH_S[1], _STRETCH_MARKS[1])
    knots_x = np.unique(np.concatenate((short_x, long_x)))
    knots = _along(knots_x, short_x, smooth) + _along(knots_x, long_x, long_y)
    bend = float(np.abs(np.diff(long_y)).max()) if len(long_y) > 1 else 0.0
    return knots_x, knots + knots_x + base * (knots_x - x[0]) + y[0] - x[0], bend


def _along(x: Floats, knots_x: Floats, knots_y: Floats) -> Floats:
    """Straight lines through the knots, going on beyond the ends."""
    return TimeLine(knots_tick_s=knots_x, knots_gps_s=knots_y).gps_seconds(x) if len(knots_x) > 1 else (
        np.full(len(x), knots_y[0])
    )


def _envelope(x: Floats, y: Floats, stretch_s: float, stretch_marks: int) -> tuple[Floats, Floats]:
    """Where the line above each stretch of marks passes the stretch's middle, and both ends of the run."""
    pieces = _stretches(x, stretch_s, stretch_marks)
    out_x: list[float] = []
    out_y: list[float] = []
    slope = 0.0
    for number, (start, end) in enumerate(pieces):
        at, height, slope = _edge(x[start:end], y[start:end])
        if number == 0:
            out_x.append(float(x[0]))
            out_y.append(height + slope * (x[0] - at))
        middle = float(x[start] + x[end - 1]) / 2
        if middle > out_x[-1]:
            out_x.append(middle)
            out_y.append(height + slope * (middle - at))
    if x[-1] > out_x[-1]:
        out_x.append(float(x[-1]))
        out_y.append(height + slope * (x[-1] - at))
    return np.array(out_x), np.array(out_y)


def _stretches(x: Floats, stretch_s: float, stretch_marks: int) -> list[tuple[int, int]]:
    """Half-overlapping stretches of at least so many seconds and marks; a short rest joins the one before."""
    pieces: list[tuple[int, int]] = []
    start = 0
    while start < len(x):
        end = max(int(np.searchsorted(x, x[start] + stretch_s)), start + stretch_marks)
        if end >= len(x) - stretch_marks // 2:
            pieces.append((start, len(x)))
            break
        pieces.append((start, end))
        start = max(start + 1, (start + end) // 2)
    return pieces


def _edge(x: Floats, y: Floats) -> tuple[float, float, float]:
    """The edge of the upper convex hull over the mean of x: a point on it and its slope."""
    hull: list[int] = []
    for index in range(len(x)):
        while len(hull) >= 2:
            a, b = hull[-2], hull[-1]
            if (y[b] - y[a]) * (x[index] - x[a]) > (y[index] - y[a]) * (x[b] - x[a]):
                break
            hull.pop()
        if hull and x[hull[-1]] == x[index]:
            if y[index] <= y[hull[-1]]:
                continue
            hull.pop()
        hull.append(index)
    if len(hull) == 1:
        return float(x[hull[0]]), float(y[hull[0]]), 0.0
    mean = x.mean()
    place = min(max(int(np.searchsorted(x[hull], mean)), 1), len(hull) - 1)
    a, b = hull[place - 1], hull[place]
    return float(x[a]), float(y[a]), float((y[b] - y[a]) / (x[b] - x[a]))


def _smoothed(x: Floats, y: Floats) -> Floats:
    """A quadratic through each knot and its four neighbours to either side: the bend without the scatter."""
    if len(x) < 5:
        return y
    out = np.empty_like(y)
    for index in range(len(x)):
        low = max(0, min(index - 4, len(x) - 9))
        part = slice(low, min(len(x), low + 9))
        near = x[part] - x[index]
        out[index] = np.polynomial.polynomial.polyfit(near, y[part], 2)[0] if len(near) > 3 else y[index]
    return out


def _drift(x: Floats, y: Floats) -> tuple[float | None, tuple[float, float] | None]:
    """How much faster than true the logger counts, in parts per million: mean, and least and greatest."""
    if len(x) < 2:
        return None, None
    whole = (x[-1] - x[0]) / (y[-1] - y[0]) - 1
    # Knots close together tell no rate: over a minute at least.
    at = np.interp(np.arange(x[0], x[-1], 60.0), x, y)
    steps = np.diff(at)
    rates = 60.0 / steps[steps > 0] - 1 if len(at) > 2 else np.array([whole])
    return float(whole * 1e6), (float(rates.min() * 1e6), float(rates.max() * 1e6))


def _knot_error(jitter_s: float, bend_s: float, marks: int, knots_x: Floats) -> float:
    """Uncertainty at a knot (95 %): what the earliest of a stretch may still be late, the bend, and the last digit."""
    span = float(knots_x[-1] - knots_x[0])
    per_stretch = max(1.0, min(marks, marks * _STRETCH_S[0] / max(1.0, span)))
    return 5e-4 + 3.0 * jitter_s / per_stretch + min(bend_s, 0.002)


def _learning(whole: NDArray[np.int64], trusted: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which marks belong to a stretch at the run's start in which the receiver vouched for a time that was off by some
    whole seconds: it had not yet heard of all leap seconds."""
    start = int(np.argmax(whole == 0)) if (whole == 0).any() else 0
    early = (np.arange(len(whole)) < start) & trusted & (np.abs(whole) <= _LEARNT_MAX_S)
    return early if early.sum() >= _EARLY_STRETCH else np.zeros(len(whole), dtype=bool)


def _mark_utc(marks: Sequence[TimeMark], gps_s: Floats, known: NDArray[np.intp]) -> tuple[dt.datetime | None, ...]:
    """UTC of each mark from its seconds since the GPS epoch, to the microsecond the receiver told."""
    out: list[dt.datetime | None] = [None] * len(marks)
    micros = np.rint((gps_s - np.floor(gps_s)) * 1e6).astype(np.int64)
    seconds = posix_from_gps(np.floor(gps_s))
    for place, index in enumerate(known):
        # A leap second's 23:59:60 is shown as the second after it.
        out[index] = _moment(seconds[place], int(micros[place]))
    return tuple(out)


def _moment(posix_s: float, micros: int) -> dt.datetime | None:
    try:
        return dt.datetime.fromtimestamp(int(posix_s), dt.UTC) + micros * _MICROSECOND
    except (OverflowError, OSError, ValueError):
        return None  # past the calendar, by a damaged log's ticks
