"""One time line out of those of a run's parts."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from offtake.track.timeline.line import TimeLine

Floats = NDArray[np.float64]

STEP_BACK_S = 1.0
"""Where two parts meet, the receiver's time steps back if it does by more than this: less is in doubt."""
_STEPS_BACK = "The receiver's time steps back"


class PartsLine:
    """Joins the lines of a run's parts, given in order, each for the ticks that are its own.

    Of a run in one part :attr:`line` is that part's own. Else it has the knots of each line that lie in its part, and
    is straight between the last of one and the first of the next; the figures of marks are sums, the notes those of
    all parts, with one for each seam at which the time steps back, and there are no marks.
    """

    def __init__(self) -> None:
        self._lines: list[TimeLine] = []
        self._wraps: list[tuple[int, float]] = []
        self._knots: list[tuple[Floats, Floats, Floats]] = []

    def add(self, line: TimeLine | None, from_tick_us: int, until_tick_us: int) -> None:
        """Take the ``line`` of the part whose ticks are those from ``from_tick_us`` until before ``until_tick_us``."""
        if line is None:
            return
        # Only a lone one is given out with its marks.
        self._lines = [*map(light, self._lines[:1]), *self._lines[1:], light(line) if self._lines else line]
        # Rounds before the part that its line does not know, or knows otherwise.
        added_s = sum(add for tick, add in self._wraps if tick < from_tick_us)
        known_s = sum(add for tick, add in line.wraps if tick < from_tick_us)
        own_s = sum(add for tick, add in line.wraps if tick < until_tick_us) - known_s
        self._wraps += [(tick, add) for tick, add in line.wraps if from_tick_us <= tick < until_tick_us]
        if line.usable:
            x = line.knots_tick_s
            inside = (x >= from_tick_us / 1e6 + known_s) & (x < until_tick_us / 1e6 + known_s + own_s)
            self._knots.append((x[inside] - known_s + added_s, line.knots_gps_s[inside], line.knots_error_s[inside]))

    @property
    def line(self) -> TimeLine | None:
        """The line of all so far; ``None`` where no part had one."""
        if len(self._lines) < 2:
            return self._lines[0] if self._lines else None
        first = self._lines[0]
        if not self._knots:
            return first
        back = _steps_back(self._knots)
        x, y, error = (np.concatenate(one) for one in zip(*self._knots, strict=True))
        rising = _rising(x, y)
        x, y, error = x[rising], y[rising], error[rising]
        whole = (x[-1] - x[0]) / (y[-1] - y[0]) - 1 if len(x) > 1 else None
        ranges = [one.drift_range_ppm for one in self._lines if one.drift_range_ppm is not None]
        return replace(
            first,
            knots_tick_s=x,
            knots_gps_s=y,
            knots_error_s=error,
            wraps=tuple(self._wraps),
            marks_used=sum(one.marks_used for one in self._lines),
            marks_rejected=sum(one.marks_rejected for one in self._lines),
            drift_ppm=None if whole is None else float(whole * 1e6),
            drift_range_ppm=(min(one[0] for one in ranges), max(one[1] for one in ranges)) if ranges else None,
            notes=tuple(dict.fromkeys([*(note for one in self._lines for note in one.notes), *back])),
        )


def steps_back(line: TimeLine | None) -> tuple[str, ...]:
    """Those of the notes of a joined ``line`` that tell where the receiver's time steps back."""
    return () if line is None else tuple(note for note in line.notes if note.startswith(_STEPS_BACK))


def light(line: TimeLine) -> TimeLine:
    """The line without what it says of each mark."""
    return replace(line, mark_utc_us=np.empty(0, dtype=np.int64), residuals_s=np.empty(0))


def _steps_back(parts: list[tuple[Floats, Floats, Floats]]) -> list[str]:
    """What is to be said of the parts whose knots begin before those of the part before them end."""
    told: list[str] = []
    with_knots = [part for part in parts if len(part[0])]
    for (x_before, y_before, _), (x, y, _) in pairwise(with_knots):
        if y_before[-1] - y[0] > STEP_BACK_S:
            step_s = y_before[-1] + (x[0] - x_before[-1]) - y[0]
            told.append(
                f"{_STEPS_BACK} by {step_s:,.0f} s about {x[0]:,.0f} s after the logger's start: a span of time may"
                " miss rows."
            )
    return told


def _rising(x: Floats, y: Floats) -> NDArray[np.bool_]:
    """Which knots stand after and above all before them: at a seam two lines may tell of the same moment."""
    if not len(x):
        return np.zeros(0, dtype=np.bool_)
    highest_x, highest_y = np.maximum.accumulate(x), np.maximum.accumulate(y)
    return np.append(True, (x[1:] > highest_x[:-1]) & (y[1:] > highest_y[:-1]))
