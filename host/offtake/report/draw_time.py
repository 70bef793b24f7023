"""Pictures over a run's time: one axis for all, quantity by quantity."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from offtake.report import text
from offtake.report.pen import NARROW, WIDE, Pen, Sheet, key_columns, scale_of, scaled_unit
from offtake.report.picture import Picture
from offtake.report.series import Floats, RunSeries, Values
from offtake.report.thin import Thinned, columns_of, sensor_pause_s, thin

_SHEETS = (Sheet(150, 28, 26), Sheet(138, 28, 26))
_SHADES_MAX = 400
# A few values far from all others would press these flat; they are marked at the edge instead.
_SPREAD_MAX = 6.0
# So many quantities are told one by one; more share taller pictures and one sentence.
_EACH_MAX = 3
_MANY_TALLER = 60
# Above axes that have neither unit nor key.
_BARE_TOP = 12
# Of a row of the key, in letter heights.
_KEY_ROW = 1.5


@dataclass(frozen=True)
class Quantity:
    """One line of a picture: its ``role`` in the palette, what it is called and its values; ``place`` is its number
    among many, each of which has a stroke of its own."""

    role: str
    label: str
    values: Values
    place: int | None = None


@dataclass(frozen=True)
class Plot:
    """One picture: its quantities share ``unit``. ``ratio`` values are drawn on a logarithmic axis when they span
    much; ``steps`` hold until the next value; ``sparse`` ones are told so seldom that no pause breaks their line;
    ``clipped`` ones may have a few values far off, which are marked at the edge. ``fitted`` ones are of any size and
    have names of any length; ``dots`` came at no even pace, so that no line joins them. ``said`` is its name at the
    time cursor."""

    name: str
    heading: str
    unit: str
    quantities: tuple[Quantity, ...]
    absent: str
    digits: int = 1
    ratio: bool = False
    steps: bool = False
    sparse: bool = False
    from_zero: bool = False
    clipped: bool = False
    band: bool = False
    fitted: bool = False
    dots: bool = False
    said: str = ""

    @property
    def told(self) -> tuple[Quantity, ...]:
        """The quantities that have values."""
        return tuple(one for one in self.quantities if len(one.values))

    @property
    def counted(self) -> bool:
        """Whether the values are bare numbers."""
        return self.unit in ("ratio", "number", "")


def plots_of(series: RunSeries) -> tuple[Plot, ...]:
    """Everything of a run that is a number over time."""
    of = series.of_fixes
    low, middle, high = series.cn0_db_hz
    late = series.late_ms
    height = "Height above mean sea level" if series.height_is_above_sea else "Height above the ellipsoid"
    if not len(series.height_m):
        height = "Height"
    none = Values(np.empty(0), np.empty(0))
    return (
        Plot("height", height, "m", (Quantity("first", "height", series.height_m),),
             "The stream tells no height.", clipped=True),
        Plot("speed", "Speed over ground", "m/s", (Quantity("first", "speed", of("speed_m_s")),),
             "The stream tells no speed.", 2, from_zero=True, clipped=True),
        Plot("satellites", "Satellites", "number",
             (Quantity("first", "used", of("satellites_used")),
              Quantity("second", "in view", of("satellites_in_view"))),
             "The stream tells no number of satellites.", 0, steps=True, from_zero=True),
        Plot("cn0", "Signal strength (C/N0) of the satellites used", "dB-Hz",
             (Quantity("first", "median", middle), Quantity("second", "upper quartile", high),
              Quantity("third", "lower quartile", low)),
             "The stream tells no signal strengths.", 0, band=True),
        Plot("dilution", "Dilution of precision", "ratio",
             (Quantity("first", "horizontal", of("hdop")), Quantity("second", "vertical", of("vdop")),
              Quantity("third", "position", of("pdop"))), "The stream tells no dilution.", 2, ratio=True),
        Plot("accuracy", "Accuracy, as the receiver estimates it", "m",
             (Quantity("first", "horizontal", of("horizontal_accuracy_m")),
              Quantity("second", "vertical", of("vertical_accuracy_m"))),
             "The stream tells no estimate of its accuracy.", 2, ratio=True),
        Plot("late", "How late each epoch's first byte came", "ms",
             (Quantity("first", "behind the fitted line", late if late is not None else none),),
             "There is no time line on UTC to hold the epochs against.", clipped=True),
        Plot("card", "Longest card busy time of each stretch", "ms", (Quantity("first", "busy", series.card_busy_ms),),
             "The logger wrote down no card busy time in this run.", 0, steps=True, sparse=True, from_zero=True),
        Plot("supply", "Supply voltage of the board", "V", (Quantity("first", "supply", series.supply_v),),
             "The logger wrote down no supply voltage in this run.", 2, steps=True, sparse=True),
    )  # fmt: skip


def time_picture(plot: Plot, series: RunSeries, name: str) -> Picture:
    """Draw ``plot`` over the run's axis; gaps are shaded."""
    told = plot.told
    sheets = fitted_sheets(plot) if plot.fitted else _SHEETS
    if not told:
        return Picture(name, "time", plot.heading, plot.absent, plot.absent, None, sheets)
    spans = gap_spans(series)
    limits = limits_of(plot)

    def draw(pen: Pen) -> None:
        axes = pen.time_axes(series.length_s, series.clock.start_utc)
        if plot.fitted:
            pen.scaled(axes, plot.unit, limits.least, limits.greatest, whole=plot.digits == 0)
        elif plot.unit != "ratio":
            pen.unit(axes, plot.unit)
        pen.shade(axes, spans)
        if limits.logarithmic:
            pen.logarithmic(axes, limits.least, limits.greatest)
        else:
            axes.set_ylim(limits.least, limits.greatest)
        if plot.band and len(told) > 1:
            _draw_band(pen, axes, plot, series)
        for one in told[:1] if plot.band else told:
            if plot.dots:
                _draw_dots(pen, axes, one, series)
                continue
            line = thin(one.values, series.length_s, pen.form.columns, _pause_s(plot, one))
            if line.thinned and len(told) > 1:
                _draw_dense(pen, axes, one, series)
            else:
                pen.line(axes, line, one.role, one.label, steps=plot.steps, place=one.place)
            _mark_outside(pen, axes, one, series, limits)
        if len(told) > 1:
            pen.key(axes, key_columns(pen.form, *_key(plot)) if plot.fitted else 3)

    words = " ".join([*_told_words(plot), *_remarks(plot, limits)])
    return Picture(name, "time", plot.heading, words, f"{plot.heading} over time. {words}", draw, sheets)


def _pause_s(plot: Plot, one: Quantity) -> float | None:
    """Past which time a line is broken; ``None`` for the usual."""
    if plot.sparse:
        return float("inf")
    return sensor_pause_s(one.values.seconds) if plot.fitted else None


def fitted_sheets(plot: Plot) -> tuple[Sheet, Sheet]:
    """Sheets with room for a key of several rows, wide and narrow."""
    sheets = []
    for form, sheet in zip((WIDE, NARROW), _SHEETS, strict=True):
        labels, unit = _key(plot)
        rows = -(-len(labels) // key_columns(form, labels, unit)) if len(labels) > 1 else 1
        more = round((rows - 1) * _KEY_ROW * form.letters) if len(labels) > 1 or unit else _BARE_TOP - sheet.top
        taller = _MANY_TALLER if len(labels) > _EACH_MAX else 0
        sheets.append(Sheet(sheet.height + more + taller, sheet.top + more, sheet.bottom))
    return sheets[0], sheets[1]


def _key(plot: Plot) -> tuple[list[str], str]:
    """What the key of a fitted plot has to have room for: its labels, and the unit beside it."""
    limits = limits_of(plot)
    return [one.label for one in plot.told], scaled_unit(plot.unit, *scale_of(limits.least, limits.greatest))


@dataclass(frozen=True)
class Limits:
    """The upright axis' ends, in the plot's unit; ``outside`` counts the values beyond them."""

    least: float
    greatest: float
    logarithmic: bool = False
    outside: int = 0


def limits_of(plot: Plot) -> Limits:
    """Return the axis' ends. Only a ``clipped`` plot leaves values out, and only such as would press the rest flat."""
    values = np.concatenate([one.values.values for one in plot.told])
    least, greatest = float(values.min()), float(values.max())
    if plot.ratio and least > 0 and greatest > 3 * least:
        return Limits(least, greatest, logarithmic=True)
    outside = 0
    if plot.clipped:
        low, high = (float(value) for value in np.percentile(values, (0.5, 99.5)))
        reach = high - low
        if reach > 0 and greatest - least > _SPREAD_MAX * reach:
            least, greatest = max(least, low - reach), min(greatest, high + reach)
            outside = int(((values < least) | (values > greatest)).sum())
    if plot.from_zero:
        least = min(least, 0.0)
    if plot.steps and plot.counted:
        # Whole numbers: an axis of fractions would say nothing.
        greatest = max(greatest, 4.0)
    room = 0.08 * (greatest - least) or max(abs(greatest) * 0.02, 0.5)
    return Limits(least if plot.from_zero and least == 0.0 else least - room, greatest + room, outside=outside)


def _draw_band(pen: Pen, axes: Axes, plot: Plot, series: RunSeries) -> None:
    """The quartiles as a band behind the median's line."""
    upper, lower = (columns_of(one.values, series.length_s, pen.form.columns // 2) for one in plot.quantities[1:3])
    told = ~np.isnan(upper.greatest)
    middle = (np.arange(len(told)) + 0.5) * series.length_s / len(told)
    # Edges of the band stay open where nothing is told for longer than usual.
    places = np.flatnonzero(told)
    usual = float(np.median(np.diff(places))) if len(places) > 1 else 1.0
    # Nothing to fill where nothing is told.
    for piece in [] if not len(places) else np.split(places, np.flatnonzero(np.diff(places) > 3 * usual) + 1):
        axes.fill_between(middle[piece], lower.least[piece], upper.greatest[piece], color=pen.colours["first"],
                          alpha=0.22, linewidth=0, label="middle half" if piece[0] == places[0] else None)  # fmt: skip


def _draw_dense(pen: Pen, axes: Axes, one: Quantity, series: RunSeries) -> None:
    """From least to greatest in each column as a band, and its middle as a line: dashes would be lost in strokes."""
    found = columns_of(one.values, series.length_s, pen.form.columns)
    middle = (np.arange(len(found.least)) + 0.5) * series.length_s / len(found.least)
    told, colour = ~np.isnan(found.least), pen.colours[one.role]
    axes.fill_between(middle, found.least, found.greatest, where=told, color=colour, alpha=0.3, linewidth=0.8)
    line = Thinned(middle, (found.least + found.greatest) / 2, np.empty(0), np.empty(0), thinned=True)
    pen.line(axes, line, one.role, one.label, place=one.place)


def _draw_dots(pen: Pen, axes: Axes, one: Quantity, series: RunSeries) -> None:
    """Each value, or where a column has many its least and its greatest."""
    x, y = one.values.seconds, one.values.values
    if len(x) > 2 * pen.form.columns:
        found = columns_of(one.values, series.length_s, pen.form.columns)
        middle = (np.arange(len(found.least)) + 0.5) * series.length_s / len(found.least)
        x, y = np.concatenate((middle, middle)), np.concatenate((found.least, found.greatest))
    pen.dots(axes, x, y, one.role, one.label, one.place or 0)


def _mark_outside(pen: Pen, axes: Axes, one: Quantity, series: RunSeries, limits: Limits) -> None:
    """Triangles at the edge over columns with a value beyond it."""
    if not limits.outside:
        return
    found = columns_of(one.values, series.length_s, pen.form.columns // 3)
    middle = (np.arange(len(found.least)) + 0.5) * series.length_s / len(found.least)
    for beyond, edge, marker in (
        (found.greatest > limits.greatest, limits.greatest, "^"), (found.least < limits.least, limits.least, "v"),
    ):  # fmt: skip
        axes.plot(middle[beyond], np.full(int(beyond.sum()), edge), marker, color=pen.colours["alarm"], markersize=6,
                  linestyle="none", clip_on=False)  # fmt: skip


def _told_words(plot: Plot) -> list[str]:
    """What the quantities do; of many together."""
    told = plot.told
    if len(told) <= _EACH_MAX:
        return [_words(one, plot) for one in told]
    every = np.concatenate([one.values.values for one in told])
    least, greatest = (text.number(float(value), plot.digits) for value in (every.min(), every.max()))
    unit = f" {plot.unit}" if plot.unit else ""
    return [f"All {len(told)}: {least} to {greatest}{unit}. Each has a row in the table below."]


def _words(one: Quantity, plot: Plot) -> str:
    unit = "" if plot.counted else plot.unit
    values = one.values.values
    figures = (float(values.min()), float(values.max()), float(np.median(values)))
    least, greatest, middle = (text.number(value, plot.digits) for value in figures)
    label = one.label[0].upper() + one.label[1:]
    if plot.fitted and only_grows(values, plot.unit):
        return f"{label}: from {least} up to {greatest}."
    if figures[0] == figures[1]:
        return f"{label}: always {least}{' ' if unit else ''}{unit}."
    return f"{label}: {least} to {greatest}{' ' if unit else ''}{unit}, median {middle}."


def only_grows(values: Floats, unit: str) -> bool:
    """Whether values are those of a counter, whose median and mean say nothing: whole, without a unit, never less than
    the one before."""
    if unit or len(values) < 3 or values[0] == values[-1]:
        return False
    return bool((values[1:] >= values[:-1]).all() and (values % 1 == 0).all())


def _remarks(plot: Plot, limits: Limits) -> list[str]:
    remarks = []
    if limits.outside:
        remarks.append(
            f"{text.plural(limits.outside, 'value lies', 'values lie')} beyond the picture: triangles at its edge."
        )
    left_out = sum(one.values.left_out for one in plot.told)
    if left_out:
        remarks.append(f"{text.plural(left_out, 'value is', 'values are')} beyond any vehicle's and not drawn.")
    return remarks


def gap_spans(series: RunSeries) -> list[tuple[float, float]]:
    """Start and end of each gap in seconds of the axis, the longest of very many."""
    gaps = sorted(series.run.analysis.gaps, key=lambda gap: -gap.seconds)[:_SHADES_MAX]
    clock: Callable[[int], float] = series.clock.second
    return sorted((clock(gap.start_tick_us), clock(gap.end_tick_us)) for gap in gaps)
