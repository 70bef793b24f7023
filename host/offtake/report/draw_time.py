"""Pictures over a run's time: one axis for all, quantity by quantity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import NullLocator

from offtake.report import text
from offtake.report.figures import CAUSES, GAPS, GLITCHES
from offtake.report.pen import Pen, Sheet
from offtake.report.picture import Picture
from offtake.report.series import RunSeries, Values
from offtake.report.thin import thin

_SHEETS = (Sheet(152, 30, 30), Sheet(148, 34, 30))
_LANE = 24
_BANDS_DRAWN_MAX = 2000


@dataclass(frozen=True)
class Quantity:
    """One line of a picture: its ``role`` in the palette, what it is called and its values."""

    role: str
    label: str
    values: Values


@dataclass(frozen=True)
class Plot:
    """One picture: its quantities share ``unit``. ``ratio`` values are drawn on a logarithmic axis when they span
    much; ``steps`` hold until the next value."""

    name: str
    heading: str
    unit: str
    quantities: tuple[Quantity, ...]
    absent: str
    digits: int = 1
    ratio: bool = False
    steps: bool = False
    from_zero: bool = False

    @property
    def told(self) -> tuple[Quantity, ...]:
        """The quantities that have values."""
        return tuple(one for one in self.quantities if len(one.values))


def plots_of(series: RunSeries) -> tuple[Plot, ...]:
    """Everything of a run that is a number over time."""
    low, middle, high = series.cn0_db_hz
    late = series.late_ms
    height = "above mean sea level" if series.height_is_above_sea else "above the ellipsoid"
    none = Values(np.empty(0), np.empty(0))
    return (
        Plot("height", f"Height {height}", "m", (Quantity("first", "height", series.height_m),),
             "The stream tells no height."),
        Plot("speed", "Speed over ground", "m/s", (Quantity("first", "speed", _of(series, "speed_m_s")),),
             "The stream tells no speed.", 2, from_zero=True),
        Plot("satellites", "Satellites", "satellites",
             (Quantity("first", "used", _of(series, "satellites_used")),
              Quantity("second", "in view", _of(series, "satellites_in_view"))),
             "The stream tells no number of satellites.", 0, steps=True, from_zero=True),
        Plot("cn0", "Signal strength (C/N0) of the satellites used", "dB-Hz",
             (Quantity("first", "median", middle), Quantity("second", "upper quarter from", high),
              Quantity("third", "lower quarter to", low)), "The stream tells no signal strengths.", 0),
        Plot("dilution", "Dilution of precision", "1",
             (Quantity("first", "horizontal", _of(series, "hdop")), Quantity("second", "vertical", _of(series, "vdop")),
              Quantity("third", "position", _of(series, "pdop"))), "The stream tells no dilution.", 2, ratio=True),
        Plot("accuracy", "Accuracy, as the receiver estimates it", "m",
             (Quantity("first", "horizontal", _of(series, "horizontal_accuracy_m")),
              Quantity("second", "vertical", _of(series, "vertical_accuracy_m"))),
             "The stream tells no estimate of its accuracy.", 2, ratio=True),
        Plot("late", "How late each epoch's first byte came", "ms",
             (Quantity("first", "behind the fitted line", late if late is not None else none),),
             "There is no time line on UTC to hold the epochs against."),
        Plot("card", "Longest card busy time", "ms", (Quantity("first", "busy", series.card_busy_ms),),
             "The logger wrote down no card busy time in this run.", 0, steps=True, from_zero=True),
        Plot("supply", "Supply voltage of the board", "V", (Quantity("first", "supply", series.supply_v),),
             "The logger wrote down no supply voltage in this run.", 2, steps=True),
    )  # fmt: skip


def _of(series: RunSeries, name: str) -> Values:
    return series.of_fixes(lambda fix: getattr(fix, name))


def time_picture(plot: Plot, series: RunSeries, name: str) -> Picture:
    """Draw ``plot`` over the run's axis; gaps are shaded."""
    told = plot.told
    if not told:
        return Picture(name, "time", plot.heading, plot.absent, plot.absent, None, _SHEETS)
    spans = gap_spans(series)

    def draw(pen: Pen) -> None:
        axes = pen.time_axes(series.length_s)
        pen.unit(axes, plot.unit)
        pen.shade(axes, spans)
        _scale(pen, axes, plot)
        for one in told:
            line = thin(one.values, series.length_s, pen.form.columns, pause_s=_pause_s(plot))
            pen.line(axes, line, one.role, one.label, steps=plot.steps)
        if len(told) > 1:
            pen.key(axes)

    words = " ".join(_words(one, plot) for one in told)
    left_out = sum(one.values.left_out for one in told)
    if left_out:
        words += f" {text.plural(left_out, 'value')} beyond any vehicle's not drawn."
    return Picture(name, "time", plot.heading, words, f"{plot.heading} over time. {words}", draw, _SHEETS)


def _pause_s(plot: Plot) -> float | None:
    # The logger tells these seldom: a line between them is meant.
    return float("inf") if plot.name in ("card", "supply") else None


def _scale(pen: Pen, axes: Axes, plot: Plot) -> None:
    values = np.concatenate([one.values.values for one in plot.told])
    least, greatest = float(values.min()), float(values.max())
    if plot.ratio and least > 0 and greatest > 3 * least:
        pen.logarithmic(axes, least, greatest)
        return
    if plot.from_zero:
        least = min(least, 0.0)
    room = 0.08 * (greatest - least) or max(abs(greatest) * 0.02, 0.5)
    axes.set_ylim(least if plot.from_zero and least == 0.0 else least - room, greatest + room)


def _words(one: Quantity, plot: Plot) -> str:
    unit = "" if plot.unit in ("1", "satellites") else plot.unit
    values = one.values.values
    figures = (float(values.min()), float(np.median(values)), float(values.max()))
    least, middle, greatest = (text.number(value, plot.digits, unit) for value in figures)
    label = one.label[0].upper() + one.label[1:]
    return f"{label}: {least} to {greatest}, half of them up to {middle}."


def gap_spans(series: RunSeries) -> list[tuple[float, float]]:
    """Start and end of each gap in seconds of the axis, the longest of very many."""
    gaps = sorted(series.run.analysis.gaps, key=lambda gap: -gap.seconds)[:_BANDS_DRAWN_MAX]
    clock = series.clock
    return sorted((clock.second(gap.start_tick_us), clock.second(gap.end_tick_us)) for gap in gaps)


@dataclass(frozen=True)
class Lane:
    """One row of bands: its name, and (start, end) in seconds."""

    label: str
    role: str
    spans: tuple[tuple[float, float], ...]


def lanes_of(series: RunSeries) -> tuple[Lane, ...]:
    """Gaps, glitches, losses and damage by kind; only kinds that occurred."""
    clock, run = series.clock, series.run
    lanes: list[Lane] = []
    for reason, words in GAPS.items():
        found = [(gap.start_tick_us, gap.end_tick_us) for gap in run.analysis.gaps if gap.reason == reason]
        lanes += _lane(words, "gap", found, clock.second)
    for kind, words in GLITCHES.items():
        found = [(one.start_tick_us, one.end_tick_us) for one in run.analysis.glitches if one.kind == kind]
        lanes += _lane(words, "alarm", found, clock.second)
    for cause, words in CAUSES.items():
        found = [(event.tick_us,) * 2 for event in run.events if event.kind == "loss" and event.cause == cause]
        lanes += _lane(f"loss: {words}", "second", found, clock.second)
    damaged = [(event.tick_us,) * 2 for event in run.events if event.kind == "damage"]
    lanes += _lane("blocks missing or damaged", "third", damaged, clock.second)
    return tuple(lanes)


def _lane(
    label: str, role: str, found: Sequence[tuple[int, ...]], second: Callable[[int], float]
) -> list[Lane]:
    if not found:
        return []
    chosen = sorted(found, key=lambda ticks: ticks[0] - ticks[-1])[:_BANDS_DRAWN_MAX]
    return [Lane(label, role, tuple(sorted((second(ticks[0]), second(ticks[-1])) for ticks in chosen)))]


def bands_picture(series: RunSeries, name: str) -> Picture:
    """Where something was missing or doubtful, lane by lane."""
    heading = "Gaps, glitches and losses"
    lanes = lanes_of(series)
    if not lanes:
        words = "No gap, no glitch and no loss was found in this run."
        return Picture(name, "time", heading, words, words, None, _SHEETS)
    height = 44 + _LANE * 2 * len(lanes)
    sheets = (Sheet(height, 14, 30), Sheet(height, 14, 30))

    def draw(pen: Pen) -> None:
        axes = pen.time_axes(series.length_s)
        axes.yaxis.set_major_locator(NullLocator())
        axes.set_ylim(len(lanes), 0)
        # A band narrower than a line would vanish.
        least = 2.5 * series.length_s / pen.form.columns
        for row, lane in enumerate(lanes):
            spans = [(start, max(end - start, least)) for start, end in lane.spans]
            axes.broken_barh(spans, (row + 0.52, 0.4), facecolors=pen.colours[lane.role], linewidth=0)
            axes.annotate(
                f"{lane.label} ({len(lane.spans):,})", (0, row + 0.45), xytext=(0, 0), textcoords="offset points",
                fontsize=pen.form.letters, color=pen.colours["ink"], ha="left", va="bottom",
            )  # fmt: skip

    words = "; ".join(f"{lane.label}: {len(lane.spans):,}" for lane in lanes) + "."
    words = words[0].upper() + words[1:]
    return Picture(name, "time", heading, words, f"{heading} over time. {words}", draw, sheets)
