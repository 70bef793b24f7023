"""The track in metres, seen from above."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from offtake.report import text
from offtake.report.pen import NARROW, WIDE, Format, Pen, Sheet, plain
from offtake.report.picture import Picture
from offtake.report.series import Flags, Floats, RunSeries

_TOP, _BOTTOM = 40, 34
_HEIGHTS = {"wide": (260, 560), "narrow": (220, 420)}
_LEAST_WIDTH_M = 2.0
# What a position is worth, from its quality's name; the rest is plain.
_PRECISE = ("differential", "precise", "rtk_fixed", "rtk_float")
_DOUBTFUL = ("none", "estimated", "manual", "simulator", "other")
_GRADES = (("first", "plain fix"), ("third", "with corrections"), ("second", "2D, estimated or worse"))
# Steps shorter than this share of the picture are not drawn one by one.
_FINE = 1 / 4000

Extent = tuple[float, float, float, float]


@dataclass(frozen=True)
class _Way:
    """What is drawn: metres east and north of fixes with a position, each one's grade, and where the way is broken."""

    east: Floats
    north: Floats
    grade: Floats
    doubted: Flags
    breaks: Flags


def track_picture(series: RunSeries, name: str) -> Picture:
    """The run's track; glitches, gaps, start and end are marked. Doubted fixes far off do not set the scale."""
    heading = "The track, in metres"
    way = _way(series)
    if not len(way.east):
        words = "The run has no position, so there is no track to draw."
        return Picture(name, "map", heading, words, words, None, (Sheet(1, 0, 0), Sheet(1, 0, 0)))
    sheets, extents = zip(*(_layout(form, way) for form in (WIDE, NARROW)), strict=True)
    by_form = {WIDE.name: extents[0], NARROW.name: extents[1]}
    outside = int((~_inside(way, extents[0])).sum())
    glitches, gaps = len(series.run.analysis.glitches), int(way.breaks.sum())

    def draw(pen: Pen) -> None:
        _draw(pen, way, by_form[pen.form.name])

    return Picture(
        name, "map", heading, _caption(series, gaps, glitches, outside), _description(series, way, gaps, glitches),
        draw, (sheets[0], sheets[1]), (extents[0], extents[1]),
    )  # fmt: skip


def _way(series: RunSeries) -> _Way:
    east, north = series.east_north_m
    places = np.flatnonzero(series.placed)
    grades = np.array([_grade(series, int(place)) for place in places], dtype=np.float64)
    cuts = {gap.last for gap in series.run.analysis.gaps}
    breaks = np.array([int(place) in cuts for place in places], dtype=bool)
    if len(breaks):
        breaks[0] = False
    return _Way(east[places], north[places], grades, series.glitched[places], breaks)


def _grade(series: RunSeries, place: int) -> int:
    fix = series.fixes[place]
    if fix.fix_type == "2d" or fix.fix_quality in _DOUBTFUL:
        return 2
    return 1 if fix.fix_quality in _PRECISE else 0


def _layout(form: Format, way: _Way) -> tuple[Sheet, Extent]:
    """A sheet as high as the track asks, and the metres at its edges, with one scale for both axes."""
    sound = ~way.doubted if (~way.doubted).any() else np.ones(len(way.east), dtype=bool)
    east, north = way.east[sound], way.north[sound]
    wide = max(float(np.ptp(east)), _LEAST_WIDTH_M) * 1.1
    high = max(float(np.ptp(north)), _LEAST_WIDTH_M) * 1.1
    box = form.width - form.left - form.right
    least, most = _HEIGHTS[form.name]
    inner = min(max(box * high / wide, least - _TOP - _BOTTOM), most - _TOP - _BOTTOM)
    scale = max(wide / box, high / inner)
    middle = (float(east.min() + east.max()) / 2, float(north.min() + north.max()) / 2)
    half = (box * scale / 2, inner * scale / 2)
    extent = (middle[0] - half[0], middle[0] + half[0], middle[1] - half[1], middle[1] + half[1])
    return Sheet(round(inner) + _TOP + _BOTTOM, _TOP, _BOTTOM), extent


def _inside(way: _Way, extent: Extent) -> Flags:
    inside: Flags = (
        (way.east >= extent[0]) & (way.east <= extent[1]) & (way.north >= extent[2]) & (way.north <= extent[3])
    )
    return inside


def _draw(pen: Pen, way: _Way, extent: Extent) -> None:
    axes = pen.axes()
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    for axis, marks in ((axes.xaxis, pen.form.ticks), (axes.yaxis, 5)):
        axis.set_major_locator(MaxNLocator(nbins=marks, min_n_ticks=2))
        axis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
    pen.unit(axes, "m north; across: m east")
    kept = _thinned(way, (extent[1] - extent[0]) * _FINE)
    _draw_grades(pen, axes, way, kept)
    for number, index in enumerate(np.flatnonzero(way.breaks).tolist()):
        bridge = slice(index - 1, index + 1)
        axes.plot(way.east[bridge], way.north[bridge], color=pen.colours["gap"], linewidth=1.2,
                  linestyle=(0, (1, 2.5)), label=None if number else "gap")  # fmt: skip
    doubted = np.flatnonzero(way.doubted)
    if len(doubted):
        axes.plot(way.east[doubted], way.north[doubted], "x", color=pen.colours["alarm"], markersize=7,
                  markeredgewidth=1.6, label="glitch", linestyle="none")  # fmt: skip
    ends = (("o", "start", 0, "good"), ("s", "end", -1, "ink"))
    for marker, label, end, role in ends:
        axes.plot(way.east[end], way.north[end], marker, color=pen.colours[role], markersize=7,
                  markeredgecolor=pen.colours["sheet"], label=label, linestyle="none")  # fmt: skip
    pen.key(axes, 6 if pen.form is WIDE else 3)


def _draw_grades(pen: Pen, axes: Axes, way: _Way, kept: Sequence[int]) -> None:
    """Lines of one grade each; a line takes the grade of the fix it leads to."""
    dashes = {"first": "-", "third": (0, (6, 1.2)), "second": (0, (2.5, 1.8))}
    named: set[str] = set()
    piece = [kept[0]]
    for before, index in zip(kept, [*kept[1:], -1], strict=True):
        same = index >= 0 and not way.breaks[before + 1 : index + 1].any()
        if same and (len(piece) == 1 or way.grade[index] == way.grade[before]):
            piece.append(index)
            continue
        role, label = _GRADES[int(way.grade[piece[-1]])]
        axes.plot(way.east[piece], way.north[piece], color=pen.colours[role], linewidth=1.6, linestyle=dashes[role],
                  label=None if label in named else label, solid_joinstyle="round",
                  marker="." if len(piece) == 1 else None, markersize=4)  # fmt: skip
        named.add(label)
        piece = [before, index] if same else [index]


def _thinned(way: _Way, step_m: float) -> list[int]:
    """Indices of the fixes to draw: none closer than ``step_m`` to the one before, but for changes and breaks."""
    kept = [0]
    east, north = way.east.tolist(), way.north.tolist()
    grade, breaks = way.grade.tolist(), way.breaks.tolist()
    for index in range(1, len(east)):
        last = kept[-1]
        near = abs(east[index] - east[last]) + abs(north[index] - north[last]) < step_m
        if near and grade[index] == grade[last] and not breaks[index] and index < len(east) - 1:
            continue
        kept.append(index)
    return kept


def _caption(series: RunSeries, gaps: int, glitches: int, outside: int) -> str:
    analysis = series.run.analysis
    parts = [f"{text.length(analysis.distance_m)} of way, {text.duration(analysis.moving_s)} moving and "
             f"{text.duration(analysis.stationary_s)} at rest."]  # fmt: skip
    origin = series.origin_deg
    if origin is not None:
        parts.append(f"Zero is the mean position, {origin[0]:.6f}, {origin[1]:.6f} degrees.")
    if gaps:
        parts.append(f"{text.plural(gaps, 'gap is', 'gaps are')} bridged by dots.")
    if glitches:
        parts.append("Crosses mark doubted fixes.")
    if outside:
        parts.append(f"{text.plural(outside, 'doubted fix lies', 'doubted fixes lie')} outside the picture.")
    return " ".join(parts)


def _description(series: RunSeries, way: _Way, gaps: int, glitches: int) -> str:
    width, height = float(np.ptp(way.east)), float(np.ptp(way.north))
    return (
        f"Map of {text.plural(len(way.east), 'position')} over {text.length(width)} east to west and "
        f"{text.length(height)} north to south, {text.plural(gaps, 'gap')}, "
        f"{text.plural(glitches, 'glitch', 'glitches')}. {text.length(series.run.analysis.distance_m)} of way."
    )
