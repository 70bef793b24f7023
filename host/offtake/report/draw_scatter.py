"""Where the fixes lay while the vehicle stood still."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from offtake.report import text
from offtake.report.pen import Pen, Sheet, plain
from offtake.report.picture import Picture
from offtake.report.series import RunSeries
from offtake.track.analysis import Scatter, Stretch
from offtake.track.geodesy import plane

_SHEET = Sheet(380, 40, 34)
_POINTS_MAX = 3000
STAYS_DRAWN_MAX = 4


def scatter_pictures(series: RunSeries, name: str) -> list[Picture]:
    """A picture for each of the longest stays at rest that are long enough to be measured."""
    stays = [stretch for stretch in series.run.analysis.stretches if stretch.scatter is not None]
    longest = sorted(stays, key=lambda stretch: -stretch.seconds)[:STAYS_DRAWN_MAX]
    chosen = sorted(longest, key=lambda stretch: stretch.start_tick_us)
    return [
        _scatter_picture(series, stretch, stretch.scatter, f"{name}_{number}", len(stays))
        for number, stretch in enumerate(chosen, start=1)
        if stretch.scatter is not None
    ]


def _scatter_picture(series: RunSeries, stretch: Stretch, scatter: Scatter, name: str, stays: int) -> Picture:
    part = slice(stretch.first, stretch.last + 1)
    placed = series.placed[part]
    at = (scatter.latitude_deg, scatter.longitude_deg)
    east, north = plane(series.latitude_deg[part][placed], series.longitude_deg[part][placed], at)
    turn = np.linspace(0.0, 2 * np.pi, 181)
    circle = (np.cos(turn), np.sin(turn))
    every = max(1, -(-len(east) // _POINTS_MAX))
    reach = max(1.25 * scatter.r95_m, float(np.percentile(np.hypot(east, north), 98)), 0.01)
    outside = int((np.maximum(np.abs(east), np.abs(north)) > reach).sum())

    def draw(pen: Pen) -> None:
        # The upright box is as high as the picture leaves; the other is made to match, so a circle is round.
        inner = _SHEET.height - _SHEET.top - _SHEET.bottom
        axes = pen.axes(right=pen.form.width - pen.form.left - inner)
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-reach, reach)
        for axis in (axes.xaxis, axes.yaxis):
            axis.set_major_locator(MaxNLocator(nbins=4, min_n_ticks=2))
            axis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        pen.unit(axes, "m")
        axes.plot(east[::every], north[::every], ".", color=pen.colours["first"], markersize=3, alpha=0.55)
        for radius, role, style, label in (
            (scatter.cep50_m, "second", "-", "CEP50"), (scatter.r95_m, "third", (0, (5, 2)), "R95"),
        ):  # fmt: skip
            axes.plot(radius * circle[0], radius * circle[1], color=pen.colours[role], linewidth=1.9, linestyle=style,
                      label=label)  # fmt: skip
        axes.plot(0, 0, "+", color=pen.colours["ink"], markersize=10, markeredgewidth=1.6, label="mean",
                  linestyle="none")  # fmt: skip
        pen.key(axes)

    start = text.moment(stretch.start_utc)
    heading = f"At rest for {text.duration(stretch.seconds)}, from {start}"
    if stretch.start_utc is None:
        at_s = text.duration(series.clock.second(stretch.start_tick_us))
        heading = f"At rest for {text.duration(stretch.seconds)}, {at_s} into the run"
    caption = (
        f"{text.plural(scatter.fixes, 'fix', 'fixes')} about their mean: half within {text.length(scatter.cep50_m)} "
        f"(CEP50), 95 % within {text.length(scatter.r95_m)} (R95); DRMS {text.length(scatter.drms_m)}, 2DRMS "
        f"{text.length(scatter.two_drms_m)}. Drift {text.length(scatter.drift_east_m_h)} east and "
        f"{text.length(scatter.drift_north_m_h)} north an hour. This is scatter, not accuracy: the mean may be off."
    )
    if outside:
        caption += f" {text.plural(outside, 'fix lies', 'fixes lie')} outside the picture."
    if every > 1:
        caption += f" One of {every} is drawn."
    if stays > STAYS_DRAWN_MAX:
        caption += f" The run has {stays} such stays; the {STAYS_DRAWN_MAX} longest are drawn."
    return Picture(name, "square", heading, caption, caption, draw, (_SHEET, _SHEET))
