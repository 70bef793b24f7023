"""The comparison's two pictures: all effects in units of what matters, and C/N0 satellite by satellite."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from offtake.compare.model import Comparison, Measure, SatellitePair
from offtake.report import text
from offtake.report.pen import Pen, Sheet, plain
from offtake.report.picture import Picture
from offtake.track.geodesy import Floats

REACH_LEAST, REACH_MOST = 2.0, 6.0
JOINED_DEG = 10.0
_TOP, _BOTTOM, _LANE = 34, 50, 46
_ROLES = {"worse": ("alarm", "s"), "better": ("good", "o"), "no_harm": ("first", "o"), "too_short": ("gap", "D")}


def pictures(found: Comparison) -> tuple[Picture, ...]:
    """Both pictures; where there is nothing to draw, they say so."""
    return effects_picture(found), carrier_picture(found.satellites)


def effects_picture(found: Comparison) -> Picture:
    """Each measure's effect with its interval, in units of the smallest difference that matters."""
    drawn = [one for one in found.measures if one.units is not None]
    heading = "All measures on one scale"
    if not drawn:
        words = "No measure could be compared."
        return Picture("compare_effects", "map", heading, words, words, None, (Sheet(0, 0, 0), Sheet(0, 0, 0)))
    sheet = Sheet(_TOP + _LANE * len(drawn) + _BOTTOM, _TOP, _BOTTOM)
    edges = [abs(value) for one in drawn if one.units for value in one.units]
    reach = min(max(max(edges) * 1.08, REACH_LEAST), REACH_MOST)

    def draw(pen: Pen) -> None:
        axes = pen.axes(left=14, right=14)
        axes.set_xlim(-reach, reach)
        axes.set_ylim(len(drawn) - 0.5, -0.5)
        axes.set_yticks([])
        axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        axes.axvspan(-1.0, 1.0, color=pen.colours["shade"], linewidth=0, zorder=0)
        axes.axvline(0.0, color=pen.colours["soft"], linewidth=1.2, zorder=1)
        for at, words, across in ((0.0, "← better", "left"), (1.0, "worse →", "right")):
            axes.annotate(
                words, (at, 1), xytext=(0, 8), xycoords="axes fraction", textcoords="offset points", ha=across,
                va="bottom", fontsize=pen.form.letters, color=pen.colours["soft"], annotation_clip=False,
            )  # fmt: skip
        axes.set_xlabel(
            "1 = the smallest that matters", fontsize=pen.form.letters, color=pen.colours["soft"], labelpad=6
        )
        for lane, one in enumerate(drawn):
            _effect(pen, lane, one, reach)

    caption = (
        "Each measure's change with its 95 % interval, in units of the smallest change that matters for it. To the"
        " right is worse. An interval wholly left of 1 excludes harm of that size; the shaded band is what does not"
        " matter."
    )
    if max(edges) > REACH_MOST:
        caption += f" Arrows: an interval goes on beyond {REACH_MOST:.0f}."
    told = "; ".join(f"{one.title}: {one.verdict}" for one in drawn)
    return Picture("compare_effects", "map", heading, caption, f"{caption} {told}.", draw, (sheet, sheet))


def _effect(pen: Pen, lane: int, one: Measure, reach: float) -> None:
    """One lane: its name above, the interval below."""
    if one.units is None:
        return
    axes = pen.figure.axes[0]
    middle, low, high = one.units
    role, shape = _ROLES[one.outcome]
    colour = pen.colours[role]
    at = lane + 0.2
    inside = [max(low, -reach), min(high, reach)]
    axes.plot(inside, [at, at], color=colour, linewidth=2.4, solid_capstyle="butt", zorder=3)
    for end, beyond, arrow in ((low, low < -reach, "<"), (high, high > reach, ">")):
        place = min(max(end, -reach), reach)
        style = arrow if beyond else "|"
        axes.plot([place], [at], style, color=colour, markersize=9, markeredgewidth=2.0, zorder=3, clip_on=False)
    if abs(middle) <= reach:
        axes.plot([middle], [at], shape, color=colour, markersize=8, zorder=4)
    axes.annotate(
        f"{one.title}: {one.verdict}", (-reach, lane - 0.2), xytext=(4, 0), textcoords="offset points", va="center",
        fontsize=pen.form.letters, color=pen.colours["ink"], zorder=5,
    )  # fmt: skip


def carrier_picture(satellites: Sequence[SatellitePair]) -> Picture:
    """C/N0 over elevation; the two recordings' values of a satellite are joined."""
    heading = "C/N0, satellite by satellite"
    if not satellites:
        words = "C/N0 with elevations was not told in both recordings."
        return Picture("compare_cn0", "map", heading, words, words, None, (Sheet(0, 0, 0), Sheet(0, 0, 0)))
    sheets = Sheet(330, 40, 50), Sheet(300, 40, 50)
    elevation = _floats([(one.elevation_before_deg, one.elevation_after_deg) for one in satellites])
    level = _floats([(one.before_db_hz, one.after_db_hz) for one in satellites])
    # nan, where one side is missing, is not near.
    near = np.abs(elevation[:, 1] - elevation[:, 0]) <= JOINED_DEG

    def draw(pen: Pen) -> None:
        axes = pen.axes()
        axes.set_xlim(0.0, 90.0)
        axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}°"))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        axes.set_xlabel("elevation", fontsize=pen.form.letters, color=pen.colours["soft"], labelpad=4)
        pen.unit(axes, "dB-Hz")
        axes.plot(elevation[near].T, level[near].T, color=pen.colours["gap"], linewidth=1.2, zorder=2)
        for side, (role, shape, label) in enumerate((("first", "o", "before"), ("second", "^", "after"))):
            axes.plot(
                elevation[:, side], level[:, side], shape, color=pen.colours[role], markersize=7, label=label,
                linestyle="none", zorder=3,
            )  # fmt: skip
        pen.key(axes)

    caption = (
        "Each mark is one satellite's mean in one recording; lines join the"
        f" {text.plural(int(near.sum()), 'signal')} that both have at like elevations. C/N0 rises with elevation, so"
        " only marks at like elevations compare by eye."
    )
    return Picture("compare_cn0", "map", heading, caption, caption, draw, sheets)


def _floats(pairs: Sequence[tuple[float | None, float | None]]) -> Floats:
    return np.array([[np.nan if value is None else value for value in pair] for pair in pairs], np.float64)
