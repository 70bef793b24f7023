"""The track in metres, seen from above."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from offtake.report import text
from offtake.report.pen import DASHES, NARROW, WIDE, Format, Pen, Sheet, plain
from offtake.report.picture import Extent, Picture
from offtake.report.series import Flags, Floats, RunSeries
from offtake.report.thin import usual_pause_s

Indices = NDArray[np.int64]
Ticks = NDArray[np.int64]

# Beside and above the axes there is room for the axes' numbers and the key.
_TOP, _BOTTOM = {"wide": 34, "narrow": 72}, 28
_KEY_COLUMNS, _KEY_ROW = {"wide": 5, "narrow": 2}, 21
_HEIGHTS = {"wide": (320, 620), "narrow": (300, 460)}
_LEAST_WIDTH_M = 2.0
_IN_KM_M = 20_000.0
_MARGIN = 1.12
# Fixes closer together than half a unit of the picture are drawn as one; and more than these are drawn coarser yet.
_FINE_UNITS = 0.5
_POINTS_MAX = 6000
_MARKS_MAX = 300
_LABELS_MAX = 12
# What a position is worth, from its quality's name; the rest is plain.
_CORRECTED = ("differential", "precise", "rtk_fixed", "rtk_float")
_WEAK = ("none", "estimated", "manual", "simulator", "other")
GRADES = (
    ("first", "plain fix", 1.7),
    ("third", "with corrections", 2.4),
    ("second", "2D or estimated", 1.7),
)
"""Role, name and stroke width of each grade of a position."""


@dataclass(frozen=True)
class Way:
    """The fixes with a position: metres east and north, grade, whether a glitch doubts it, whether the way is broken
    before it by a gap; ``index`` is into the track."""

    index: Indices
    east: Floats
    north: Floats
    grade: Indices
    doubted: Flags
    broken: Flags


def way_of(series: RunSeries) -> Way:
    """Return the way of a run."""
    east, north = series.east_north_m
    index = np.flatnonzero(series.placed)
    grade = _grades(series)[index]
    broken = np.zeros(len(index), dtype=bool)
    lasts = [gap.last for gap in series.run.analysis.gaps if gap.last is not None]
    broken[np.isin(index, np.array(lasts, dtype=np.int64))] = True
    broken[:1] = False
    return Way(index, east[index], north[index], grade, series.glitched[index], broken)


def _grades(series: RunSeries) -> NDArray[np.int64]:
    """Of each fix how good it is: 2 weak, 1 corrected, 0 neither."""
    fixes = series.fixes

    def told(codes: NDArray[np.int16], words: tuple[str, ...]) -> NDArray[np.bool_]:
        return np.isin(codes, [code for code, word in enumerate(fixes.words) if word in words])

    weak = told(fixes.fix_type, ("2d", "dead_reckoning", "none")) | told(fixes.fix_quality, _WEAK)
    return np.where(weak, 2, np.where(told(fixes.fix_quality, _CORRECTED), 1, 0))


def track_picture(series: RunSeries, way: Way, name: str, ticks_us: Ticks | None = None) -> Picture:
    """The ``way`` of a run; glitches, gaps, start and end are marked, and where it was at the events of ``ticks_us``.
    Doubted fixes far off do not set the scale."""
    heading = "The track, in metres"
    if not len(way.index):
        words = "The run has no position, so there is no track to draw."
        return Picture(name, "map", heading, words, words, None, (Sheet(1, 0, 0), Sheet(1, 0, 0)))
    ticks = np.empty(0, dtype=np.int64) if ticks_us is None else ticks_us
    east, north = places_at(series, way, ticks)
    rows = 2 if len(east) and _entries(way) >= _KEY_COLUMNS[WIDE.name] else 1
    layouts = {form.name: _layout(form, way, rows) for form in (WIDE, NARROW)}
    finest = {form.name: thinned(way, _step_m(form, layouts[form.name][1])) for form in (WIDE, NARROW)}

    def draw(pen: Pen) -> None:
        _draw(pen, way, layouts[pen.form.name][1], finest[pen.form.name][0], (east, north))

    sheets, extents = zip(*layouts.values(), strict=True)
    caption = _caption(series, way, extents[0], finest[WIDE.name][1])
    if len(ticks):
        caption += f" {_events_words(len(ticks), len(east))}"
    return Picture(
        name, "map", heading, caption, _description(series, way), draw, (sheets[0], sheets[1]),
        (extents[0], extents[1]),
    )  # fmt: skip


def places_at(series: RunSeries, way: Way, ticks_us: Ticks) -> tuple[Floats, Floats]:
    """Metres east and north at each of ``ticks_us`` (microseconds since power-up) that lies between two undoubted
    fixes in a row, without a gap and no further apart than a pause; the others are left out."""
    sound = np.flatnonzero(~way.doubted)
    fixes = series.ticks_us[way.index[sound]]
    if len(fixes) < 2 or not len(ticks_us):
        return np.empty(0), np.empty(0)
    after = np.clip(np.searchsorted(fixes, ticks_us, side="left"), 1, len(fixes) - 1)
    apart = fixes[after] - fixes[after - 1]
    between = np.concatenate(([0], np.cumsum(way.broken)))
    gap = between[sound[after] + 1] - between[sound[after - 1] + 1] > 0
    inside = (ticks_us >= fixes[after - 1]) & (ticks_us <= fixes[after]) & (apart > 0) & ~gap
    known = inside & (apart <= 1e6 * usual_pause_s(fixes / 1e6))
    ticks, after = ticks_us[known], after[known]
    share = (ticks - fixes[after - 1]) / apart[known]
    east, north = way.east[sound], way.north[sound]
    return (
        east[after - 1] + share * (east[after] - east[after - 1]),
        north[after - 1] + share * (north[after] - north[after - 1]),
    )


def _events_words(count: int, placed: int) -> str:
    words = f"{text.plural(count, 'event')} at the sensors' inputs"
    if not placed:
        return f"{words}, none where a position is known."
    words += " is a triangle" if count == 1 else " are triangles"
    if placed < count:
        words += f", but for {text.whole(count - placed)} where no position is known"
    if placed > _MARKS_MAX:
        words += f"; at most {_MARKS_MAX} of them are drawn"
    return words + "."


def _entries(way: Way) -> int:
    """How many things the key names, events apart."""
    return len(np.unique(way.grade)) + int(way.broken.any()) + int(way.doubted.any())


def _layout(form: Format, way: Way, key_rows: int) -> tuple[Sheet, Extent]:
    """A sheet as high as the track asks, and the metres at its edges, with one scale for both axes; wide, it has room
    for ``key_rows`` of the key."""
    sound = ~way.doubted if (~way.doubted).any() else np.ones(len(way.index), dtype=bool)
    east, north = way.east[sound], way.north[sound]
    wide = max(float(np.ptp(east)), _LEAST_WIDTH_M) * _MARGIN
    high = max(float(np.ptp(north)), _LEAST_WIDTH_M) * _MARGIN
    box = form.width - form.left - form.right
    top = _TOP[form.name] + (_KEY_ROW * (key_rows - 1) if form is WIDE else 0)
    least, most = _HEIGHTS[form.name]
    inner = round(min(max(box * high / wide, least - top - _BOTTOM), most - top - _BOTTOM))
    scale = max(wide / box, high / inner)
    middle = (float(east.min() + east.max()) / 2, float(north.min() + north.max()) / 2)
    half = (box * scale / 2, inner * scale / 2)
    extent = (middle[0] - half[0], middle[0] + half[0], middle[1] - half[1], middle[1] + half[1])
    return Sheet(inner + top + _BOTTOM, top, _BOTTOM), extent


def _step_m(form: Format, extent: Extent) -> float:
    return _FINE_UNITS * (extent[1] - extent[0]) / (form.width - form.left - form.right)


def thinned(way: Way, step_m: float) -> tuple[Indices, float]:
    """Return which undoubted fixes to draw, and the side in metres of the squares within which others were left out.

    Of fixes in a row in one square the first stands for all; the ends of gaps and changes of grade always stay. The
    side is doubled until there are few enough.
    """
    sound = np.flatnonzero(~way.doubted)
    if not len(sound):
        return sound, step_m
    broken = np.add.reduceat(way.broken, np.concatenate(([0], sound[:-1] + 1))) > 0
    before_broken = np.concatenate((broken[1:], [True]))
    turn = np.concatenate(([True], np.diff(way.grade[sound]) != 0)) | broken | before_broken
    while True:
        column, row = np.floor(way.east[sound] / step_m), np.floor(way.north[sound] / step_m)
        moved = np.concatenate(([True], (np.diff(column) != 0) | (np.diff(row) != 0)))
        kept = sound[moved | turn]
        if len(kept) <= _POINTS_MAX or step_m > 1e9:
            # A track that is all gaps and changes is cut by force.
            every = -(-len(kept) // (4 * _POINTS_MAX))
            return kept[::every], step_m
        step_m *= 2


def _draw(pen: Pen, way: Way, extent: Extent, kept: Indices, events: tuple[Floats, Floats]) -> None:
    axes = pen.axes()
    axes.set_xlim(extent[0], extent[1])
    axes.set_ylim(extent[2], extent[3])
    axes.xaxis.set_major_locator(MaxNLocator(nbins=pen.form.ticks, min_n_ticks=2))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=6, min_n_ticks=2))
    scale, unit = (1000.0, "km") if extent[1] - extent[0] > _IN_KM_M else (1.0, "m")
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value / scale)))
    pen.level_axis(axes, lambda value: plain(value / scale), f"{unit} east")
    pen.unit(axes, f"{unit} north")
    _draw_lines(pen, axes, way, kept)
    _draw_glitches(pen, axes, way, extent)
    if len(events[0]):
        every = -(-len(events[0]) // _MARKS_MAX)
        axes.plot(events[0][::every], events[1][::every], "^", color=pen.colours["second"], markersize=7,
                  markeredgecolor=pen.colours["sheet"], linestyle="none", zorder=4.5, label="event")  # fmt: skip
    for marker, words, index, role in (("o", "start", 0, "good"), ("s", "end", -1, "ink")):
        place = kept[index] if len(kept) else (0, len(way.index) - 1)[index]
        axes.plot(way.east[place], way.north[place], marker, color=pen.colours[role], markersize=8,
                  markeredgecolor=pen.colours["sheet"], zorder=5)  # fmt: skip
        pen.label(axes, words, (way.east[place], way.north[place]), above=index == 0)
    _scale_bar(pen, axes, extent)
    pen.key(axes, _KEY_COLUMNS[pen.form.name])


def _draw_lines(pen: Pen, axes: Axes, way: Way, kept: Indices) -> None:
    """One path a grade; a leg takes the grade of the fix it leads to. Legs over a gap are dots."""
    if len(kept) == 0:
        return
    between = np.concatenate(([0], np.cumsum(way.broken)))
    gap = between[kept[1:] + 1] - between[kept[:-1] + 1] > 0
    grades = way.grade[kept[1:]] if len(kept) > 1 else np.zeros(0, dtype=np.int64)
    for number, (role, label, width) in enumerate(GRADES):
        east, north = _legs(way, kept, ~gap & (grades == number))
        if len(east):
            axes.plot(east, north, color=pen.colours[role], linewidth=width, linestyle=DASHES[role], label=label,
                      solid_joinstyle="round", dash_joinstyle="round")  # fmt: skip
    east, north = _legs(way, kept, gap)
    if len(east):
        axes.plot(east, north, color=pen.colours["gap"], linewidth=1.6, linestyle=(0, (1, 3)), label="gap")


def _legs(way: Way, kept: Indices, wanted: Flags) -> tuple[Floats, Floats]:
    """The wanted legs as one path, broken by ``nan`` where one does not begin where the one before ended."""
    legs = np.flatnonzero(wanted)
    if not len(legs):
        return np.empty(0), np.empty(0)
    pieces = np.split(legs, np.flatnonzero(np.diff(legs) != 1) + 1)
    order = np.concatenate([np.concatenate((piece, [piece[-1] + 1, -1])) for piece in pieces])
    place = kept[order]
    out = order < 0
    return np.where(out, np.nan, way.east[place]), np.where(out, np.nan, way.north[place])


def _draw_glitches(pen: Pen, axes: Axes, way: Way, extent: Extent) -> None:
    """A cross for each doubted fix, with a fine line to the fix before it; at the edge where it lies outside."""
    doubted = np.flatnonzero(way.doubted)[:_MARKS_MAX]
    if not len(doubted):
        return
    colour = pen.colours["alarm"]
    sound = np.flatnonzero(~way.doubted)
    labels = 0
    for number, index in enumerate(doubted.tolist()):
        at = (float(way.east[index]), float(way.north[index]))
        before = sound[np.searchsorted(sound, index) - 1] if len(sound) and sound[0] < index else None
        inside = extent[0] <= at[0] <= extent[1] and extent[2] <= at[1] <= extent[3]
        start = at if before is None else (float(way.east[before]), float(way.north[before]))
        shown = at if inside else _edge(start, at, extent)
        axes.plot((start[0], shown[0]), (start[1], shown[1]), color=colour, linewidth=1.0, linestyle=(0, (2, 2)))
        axes.plot(*shown, "x" if inside else "D", color=colour, markersize=8 if inside else 6, markeredgewidth=1.8,
                  linestyle="none", zorder=4, clip_on=False, label="glitch" if number == 0 else None)  # fmt: skip
        first = index == 0 or not way.doubted[index - 1]
        if first and labels < _LABELS_MAX:
            labels += 1
            away = text.length(math.hypot(at[0] - start[0], at[1] - start[1]))
            pen.label(axes, f"{away} off", shown, above=shown[1] < (extent[2] + extent[3]) / 2)


def _edge(start: tuple[float, float], at: tuple[float, float], extent: Extent) -> tuple[float, float]:
    """Where the way from ``start``, inside, to ``at``, outside, leaves the picture."""
    share = 1.0
    for axis in (0, 1):
        way = at[axis] - start[axis]
        for bound in extent[2 * axis : 2 * axis + 2]:
            if way and 0.0 <= (bound - start[axis]) / way < share:
                share = (bound - start[axis]) / way
    return start[0] + share * (at[0] - start[0]), start[1] + share * (at[1] - start[1])


def _scale_bar(pen: Pen, axes: Axes, extent: Extent) -> None:
    """A bar of a round length, a fifth of the picture or less, low on the right."""
    target = (extent[1] - extent[0]) / 5
    decade = 10.0 ** math.floor(math.log10(target))
    bar = next(digit * decade for digit in (5, 2, 1) if digit * decade <= target)
    right = extent[1] - 0.03 * (extent[1] - extent[0])
    low = extent[2] + 0.05 * (extent[3] - extent[2])
    axes.plot((right - bar, right), (low, low), color=pen.colours["ink"], linewidth=3, solid_capstyle="butt")
    words = f"{plain(bar)} m" if bar < 1000 else f"{plain(bar / 1000)} km"
    pen.label(axes, words, (right - bar / 2, low), above=True)


def _caption(series: RunSeries, way: Way, extent: Extent, step_m: float) -> str:
    analysis = series.run.analysis
    parts = [f"{text.length(analysis.distance_m)} of way, {text.duration(analysis.moving_s)} moving and "
             f"{text.duration(analysis.stationary_s)} at rest."]  # fmt: skip
    origin = series.origin_deg
    if origin is not None:
        at = f"{text.number(origin[0], 6)}, {text.number(origin[1], 6)} degrees"
        parts.append(f"North is up. Zero is the mean position, {at}.")
    gaps = int(way.broken.sum())
    if gaps:
        parts.append(f"{text.plural(gaps, 'gap is', 'gaps are')} bridged by dots.")
    doubted = int(way.doubted.sum())
    if doubted:
        outside = int((way.doubted & ~_inside(way, extent)).sum())
        words = text.plural(doubted, "fix is", "fixes are")
        edge = f", {text.whole(outside)} of them outside: diamonds at the edge" if outside else ""
        parts.append(f"{words} doubted (crosses{edge}); the line leaves them out.")
        if doubted > _MARKS_MAX:
            parts.append(f"The first {_MARKS_MAX} are marked.")
    parts.append(f"Drawn to within {text.length(step_m)}.")
    return " ".join(parts)


def _inside(way: Way, extent: Extent) -> Flags:
    across = (way.east >= extent[0]) & (way.east <= extent[1])
    return np.asarray(across & (way.north >= extent[2]) & (way.north <= extent[3]), dtype=bool)


def _description(series: RunSeries, way: Way) -> str:
    sound = ~way.doubted if (~way.doubted).any() else np.ones(len(way.index), dtype=bool)
    shares: Sequence[str] = [
        f"{text.share(int((way.grade == number).sum()), len(way.grade))} {label}"
        for number, (_, label, _) in enumerate(GRADES) if (way.grade == number).any()
    ]  # fmt: skip
    across, along = float(np.ptp(way.east[sound])), float(np.ptp(way.north[sound]))
    gaps, doubted = int(way.broken.sum()), int(way.doubted.sum())
    return (
        f"Map of {text.plural(len(way.index), 'position')} over {text.length(across)} from west to east and "
        f"{text.length(along)} from south to north: {', '.join(shares)}; {text.plural(gaps, 'gap')}, "
        f"{text.plural(doubted, 'doubted fix', 'doubted fixes')}; {text.length(series.run.analysis.distance_m)} of way."
    )
