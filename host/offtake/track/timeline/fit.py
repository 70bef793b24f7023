"""A run's time line from its marks.

The receiver's bytes leave after the epoch they tell of, sometimes much later, never before. Of all marks the earliest
ones are therefore the best, and the line goes through these (see ``envelope``). Marks that tell another second than
the run as a whole, that came after a loss, or that stand out as too early do not shape it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.track.fixes import NO_TIME
from offtake.track.leap import posix_from_gps
from offtake.track.marks import MarkColumns
from offtake.track.timeline.envelope import FEW, knots, slope_of, too_early
from offtake.track.timeline.lateness import all_late
from offtake.track.timeline.line import REJECT_S, RESONATOR_ERROR, YEAR_1_US, YEAR_10000_US, TimeLine
from offtake.track.timeline.resolve import resolve
from offtake.track.timeline.seconds import learning, whole_seconds_off
from offtake.track.timemark import TimeMark

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

_RATE_OVER_S = 60.0
# How far off the earliest of very few marks may be beside their scatter.
_ALONE_S = 1e-3
# After this the line is begun anew.
_SILENCE_S = 900.0
_WORDS = {
    "learning": "{} of {} epochs, told before the receiver knew all leap seconds, were put right by whole seconds.",
    "other_time": "{} of {} epochs came at another time than they tell.",
    "other_part": "{} of {} epochs, beyond a silence, do not agree with the others on the time.",
    "too_early": "{} of {} epochs came before the time they tell; the line does not follow them.",
    "all_late": "{} of {} epochs came late together, for a while; the line does not follow them.",
}


@dataclass
class _Part:
    """A stretch of a run's marks without a long silence: their ``places``, and what was found out about them.

    ``whole``: whole seconds that each is off; ``put_right``: by how many it is corrected; ``used``: those the line may
    go through. Knots as in :class:`TimeLine`.
    """

    places: NDArray[np.intp]
    whole: NDArray[np.int64]
    put_right: NDArray[np.int64]
    used: Flags
    knots_x: Floats
    knots_y: Floats
    error: Floats


def fit_timeline(marks: Sequence[TimeMark], *, latency_s: float = 0.0) -> TimeLine:
    """Fit one run's ``marks``, in stream order. ``latency_s`` is how long after its epoch the receiver's first byte
    comes at the earliest; a log cannot tell it. Marks ``after_loss`` are dated, but shape the line only where there
    are no others."""
    marks = MarkColumns.from_marks(marks)
    resolved = resolve(marks)
    notes = resolved.notes
    known = np.flatnonzero(~np.isnan(resolved.gps_s))
    if not len(known):
        return TimeLine(
            latency_s=latency_s,
            wraps=resolved.wraps,
            mark_utc_us=np.full(len(marks), NO_TIME, dtype=np.int64),
            residuals_s=np.full(len(marks), np.nan),
            notes=tuple(notes),
        )
    x, y = resolved.tick_s[known], _whole_fractions(resolved.gps_s[known], notes) + latency_s
    after_loss = marks.after_loss[known]
    counts: Counter[str] = Counter()
    parts = [_fit_part(x, y, resolved.trusted[known], after_loss, places, counts) for places in _split(x)]
    line = _joined(parts, resolved.trusted[known], counts)
    put_right, used, shown = np.zeros(len(x)), np.zeros(len(x), dtype=bool), np.zeros(len(x))
    for part in parts:
        put_right[part.places] = part.put_right
        # A time that has not come yet cannot be right; one that came late can.
        shown[part.places] = np.where(part.put_right != 0, part.put_right, np.maximum(part.whole, 0))
    for part in line:
        used[part.places] = part.used
    knots_x, knots_y, error = (
        np.concatenate(columns)
        for columns in zip(*((one.knots_x, one.knots_y, one.error) for one in line), strict=True)
    )
    residuals = np.full(len(marks), np.nan)
    residuals[known] = y - put_right - TimeLine(knots_tick_s=knots_x, knots_gps_s=knots_y).gps_seconds(x)
    notes.extend(_WORDS[what].format(count, len(known)) for what, count in counts.items() if count)
    if latency_s == 0.0:
        notes.append("How long the receiver takes to send an epoch is not known; it is taken as zero.")
    drift, drift_range = _drift(knots_x, knots_y)
    return TimeLine(
        knots_tick_s=knots_x,
        knots_gps_s=knots_y,
        wraps=resolved.wraps,
        latency_s=latency_s,
        knots_error_s=error,
        mark_utc_us=_mark_utc_us(len(marks), resolved.gps_s[known] - shown, known),
        residuals_s=residuals,
        marks_used=int(used.sum()),
        marks_rejected=int((~used).sum()),
        drift_ppm=drift,
        drift_range_ppm=drift_range,
        notes=tuple(notes),
    )


def _split(x: Floats) -> list[NDArray[np.intp]]:
    """Places of the marks, cut at long silences: the line through one part says nothing of the other's course."""
    cuts = np.flatnonzero(np.diff(x) > _SILENCE_S) + 1
    parts = np.split(np.arange(len(x)), cuts)
    # A few marks alone tell too little.
    enough = [one for one in parts if len(one) >= FEW]
    if not enough:
        return [np.arange(len(x))]
    return enough


def _joined(parts: list[_Part], trusted: Flags, counts: Counter[str]) -> list[_Part]:
    """The parts that agree on the time, in order: the longest in which the receiver vouched for it, and the others as
    far as the time between two is that of the ticks."""
    order = sorted(parts, key=lambda one: (bool(trusted[one.places].any()), int(one.used.sum())), reverse=True)
    taken: list[_Part] = []
    for part in order:
        vouched = bool(trusted[part.places].any()) or not trusted.any()
        if not taken or (vouched and all(_agree(part, other) for other in taken)):
            taken.append(part)
        else:
            counts["other_part"] += len(part.places)
    return sorted(taken, key=lambda one: float(one.knots_x[0]))


def _agree(one: _Part, two: _Part) -> bool:
    """Whether ticks and told times agree on how far apart two parts are, as far as a resonator can."""
    before, after = (one, two) if one.knots_x[0] < two.knots_x[0] else (two, one)
    ticks, told = float(after.knots_x[0] - before.knots_x[-1]), float(after.knots_y[0] - before.knots_y[-1])
    return ticks > 0 and told > 0 and abs(told - ticks) <= 1.2 * RESONATOR_ERROR * ticks + REJECT_S


def _fit_part(
    x: Floats, y: Floats, trusted: Flags, after_loss: Flags, places: NDArray[np.intp], counts: Counter[str]
) -> _Part:
    x, y, trusted, after_loss = x[places], y[places], trusted[places], after_loss[places]
    whole = whole_seconds_off(x, y, trusted)
    put_right = learning(whole, trusted)
    y = y - put_right
    used = whole == put_right
    counts["learning"] += int((put_right != 0).sum())
    counts["other_time"] += int((~used).sum())
    used = _shaping(x, y, used, after_loss, counts)
    return _Part(places, whole, put_right, used, *_knots(x[used], y[used]))


def _whole_fractions(gps_s: Floats, notes: list[str]) -> Floats:
    """Times told in hundredths, of epochs that fall between those (three a second), as the fractions they stand for.

    Rounded up they would seem to come early, and shape the line.
    """
    second = np.floor(gps_s)
    hundredths = np.rint((gps_s - second) * 100)
    if np.abs((gps_s - second) * 100 - hundredths).max() > 1e-3:
        return gps_s
    values, counts = np.unique(hundredths, return_counts=True)
    usual = values[counts > 0.1 * counts.max()]
    a_second = len(usual)
    if a_second < 2 or 100 % a_second == 0 or (np.abs(usual - np.arange(a_second) * 100 / a_second) >= 1).any():
        return gps_s
    notes.append(f"Times are told in hundredths; {a_second} a second were taken as the fractions they stand for.")
    nearest = np.rint(hundredths * a_second / 100)
    stands_for = np.abs(nearest * 100 / a_second - hundredths) < 1
    return np.where(stands_for, second + nearest / a_second, gps_s)


def _shaping(x: Floats, y: Floats, used: Flags, after_loss: Flags, counts: Counter[str]) -> Flags:
    """Which of the ``used`` marks the line may go through: none after a loss, none that stands out as too early, none
    of a stretch of which all are late."""
    if (used & ~after_loss).sum() >= FEW:
        used = used & ~after_loss
    used = used.copy()
    # Late stretches hide early marks, and the other way round: so twice.
    for what, find in (("too_early", too_early), ("all_late", all_late), ("too_early", too_early)):
        places = np.flatnonzero(used)
        places = places[np.argsort(x[places], kind="stable")]
        ticks, told = x[places], y[places]
        rest = told - ticks - (told[0] - ticks[0]) - slope_of(ticks, told - ticks) * (ticks - ticks[0])
        out = places[find(ticks, rest)]
        counts[what] += len(out)
        used[out] = False
    return used


def _knots(x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
    """Knots of the line, and how far each may be off, in seconds (95 %)."""
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    base = slope_of(x, y - x)
    rest = y - x - (y[0] - x[0]) - base * (x - x[0])
    if len(x) < FEW:
        # Too few to tell a rate: the nominal one, through the earliest.
        at = int(np.argmax(rest))
        return x[at : at + 1], y[at : at + 1], np.array([_ALONE_S + float(np.ptp(rest))])
    knots_x, height, error = knots(x, rest)
    return knots_x, height + knots_x + base * (knots_x - x[0]) + y[0] - x[0], error


def _drift(x: Floats, y: Floats) -> tuple[float | None, tuple[float, float] | None]:
    """How much faster than true the logger counts, in parts per million: mean, and least and greatest."""
    if len(x) < 2:
        return None, None
    whole = (x[-1] - x[0]) / (y[-1] - y[0]) - 1
    # Knots close together tell no rate: over a minute at least.
    places = [0]
    for place in range(1, len(x)):
        if x[place] - x[places[-1]] >= _RATE_OVER_S:
            places.append(place)
    steps, passed = np.diff(y[places]), np.diff(x[places])
    rates = passed[steps > 0] / steps[steps > 0] - 1
    if not len(rates):
        rates = np.array([whole])
    return float(whole * 1e6), (float(rates.min() * 1e6), float(rates.max() * 1e6))


def _mark_utc_us(count: int, gps_s: Floats, known: NDArray[np.intp]) -> NDArray[np.int64]:
    """UTC of ``count`` marks, those ``known`` from their seconds since the GPS epoch, to the microsecond the receiver
    told."""
    whole = np.floor(gps_s)
    micros = np.rint((gps_s - whole) * 1e6).astype(np.int64)
    # A leap second's 23:59:60 is shown as the second after it.
    utc_us = posix_from_gps(whole).astype(np.int64) * 1_000_000 + micros
    # Past the calendar only a damaged log's ticks lead.
    shown = (utc_us >= YEAR_1_US) & (utc_us < YEAR_10000_US)
    out = np.full(count, NO_TIME, dtype=np.int64)
    out[known] = np.where(shown, utc_us, NO_TIME)
    return out
