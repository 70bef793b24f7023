"""Where something was missing or doubtful: gaps, glitches, losses and damage over a run's time, lane by lane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.ticker import NullLocator

from offtake.report import text
from offtake.report.kinds import CAUSES, GAPS, GLITCHES
from offtake.report.pen import Draw, Pen, Sheet
from offtake.report.picture import Picture
from offtake.report.series import RunSeries

_LANE = 40
_TOP, _BOTTOM = 8, 26
_LEAST_UNITS = 3.0


@dataclass(frozen=True)
class Lane:
    """One row of bands: its name, its role in the palette, (start, end) in seconds, and moments to mark in it."""

    label: str
    role: str
    spans: tuple[tuple[float, float], ...]
    marks: tuple[float, ...] = ()


def lanes_of(series: RunSeries) -> tuple[Lane, ...]:
    """Gaps, glitches, losses and damage by kind; only kinds that occurred."""
    run = series.run
    lanes: list[Lane] = []
    for reason, words in GAPS.items():
        found = [(gap.start_tick_us, gap.end_tick_us) for gap in run.analysis.gaps if gap.reason == reason]
        lanes += _lane(f"gap: {words}", "gap", found, series)
    for kind, words in GLITCHES.items():
        found = [(one.start_tick_us, one.end_tick_us) for one in run.analysis.glitches if one.kind == kind]
        lanes += _lane(f"glitch: {words}", "alarm", found, series)
    for cause, words in CAUSES.items():
        found = [(one.tick_us, one.last_tick_us) for one in run.events if one.kind == "loss" and one.cause == cause]
        lanes += _lane(f"loss: {words}", "second", found, series)
    damaged = [(one.tick_us, one.last_tick_us) for one in run.events if one.kind == "damage"]
    return (*lanes, *_lane("frames missing or not readable", "third", damaged, series))


def _lane(label: str, role: str, found: list[tuple[int, int]], series: RunSeries) -> list[Lane]:
    if not found:
        return []
    ticks = np.array(found, dtype=np.int64)
    starts, ends = series.clock.seconds(ticks[:, 0]), series.clock.seconds(ticks[:, 1])
    return [Lane(label, role, tuple(zip(starts.tolist(), ends.tolist(), strict=True)))]


def joined(spans: tuple[tuple[float, float], ...], least_s: float, length_s: float) -> list[tuple[float, float]]:
    """Return start and width of bands to draw on an axis of ``length_s``, none narrower than ``least_s``; such as touch
    become one."""
    bands: list[tuple[float, float]] = []
    for start, end in sorted(spans):
        start = min(start, length_s - least_s)
        end = max(end, start + least_s)
        if bands and start <= bands[-1][0] + bands[-1][1]:
            first = bands[-1][0]
            bands[-1] = (first, max(bands[-1][1], end - first))
        else:
            bands.append((start, end - start))
    return bands


def bands_picture(series: RunSeries, name: str) -> Picture:
    """The lanes of a run; words alone where there are none."""
    heading = "Gaps, glitches and losses"
    lanes = lanes_of(series)
    sheet = lanes_sheet(len(lanes))
    if not lanes:
        words = "No gap, no glitch and no loss was found in this run."
        return Picture(name, "time", heading, words, words, None, (sheet, sheet))
    words = f"{lanes_words(lanes)} Short ones are drawn wider than they were."
    return Picture(name, "time", heading, words, f"{heading} over time. {words}", lanes_drawn(series, lanes),
                   (sheet, sheet))  # fmt: skip


def lanes_sheet(count: int) -> Sheet:
    """The sheet that so many lanes need."""
    return Sheet(_TOP + _BOTTOM + _LANE * max(1, count), _TOP, _BOTTOM)


def lanes_drawn(series: RunSeries, lanes: tuple[Lane, ...]) -> Draw:
    """What draws ``lanes`` over the run's axis."""

    def draw(pen: Pen) -> None:
        axes = pen.time_axes(series.length_s, series.clock.start_utc)
        axes.yaxis.set_major_locator(NullLocator())
        axes.set_ylim(len(lanes), 0)
        least_s = _LEAST_UNITS * series.length_s / pen.form.columns
        for row, lane in enumerate(lanes):
            axes.broken_barh(
                joined(lane.spans, least_s, series.length_s),
                (row + 0.54, 0.34),
                facecolors=pen.colours[lane.role],
                linewidth=0,
            )
            axes.axhline(row + 0.88, color=pen.colours["rule"], linewidth=0.8, zorder=0)
            axes.annotate(
                f"{lane.label} ({len(lane.spans):,})", (0, row + 0.5), xytext=(2, 0), textcoords="offset points",
                fontsize=pen.form.letters, color=pen.colours["ink"], ha="left", va="bottom",
            )  # fmt: skip
            if lane.marks:
                # No two in one column of the picture.
                column = series.length_s / pen.form.columns
                places = np.unique(np.floor(np.array(lane.marks) / column)) * column
                axes.vlines(places, row + 0.54, row + 0.94, color=pen.colours["ink"], linewidth=1.0)

    return draw


def lanes_words(lanes: tuple[Lane, ...]) -> str:
    """How often each kind was, as a sentence."""
    parts = "; ".join(f"{lane.label}, {text.whole(len(lane.spans))} times" for lane in lanes).replace(
        ", 1 times", ", once"
    )
    return f"{parts[0].upper()}{parts[1:]}."
