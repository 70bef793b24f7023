"""What pictures are drawn with: matplotlib under our own settings, in a wide and a narrow format."""

from __future__ import annotations

import datetime as dt
import io
import math
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from offtake.report.palette import LIGHT, PLACEHOLDERS
from offtake.report.thin import Floats, Thinned

# One unit of a picture is a point of matplotlib's, 1/72 inch.
_UNITS_PER_INCH = 72
_PNG_DOTS_PER_INCH = 144
# Of digits and small letters, in letter heights; a little more than most fonts take.
_LETTER_WIDTH = 0.62
# Of a digit and of a comma or point, in letter heights, and what an axis' tick takes beside its mark.
_DIGIT_WIDTH, _POINT_WIDTH, _MARK = 0.637, 0.318, 6
_DECIMALS_MAX = 6

DASHES: Mapping[str, object] = {"first": "-", "second": (0, (5, 2)), "third": (0, (1.2, 1.6)), "gap": "-", "alarm": "-"}
"""Each series' stroke, so that colour never tells alone."""
STROKES: Sequence[object] = (
    DASHES["first"], DASHES["second"], DASHES["third"], (0, (7, 2, 1.5, 2)), (0, (3, 1.5)), (0, (10, 3)),
    (0, (6, 1.5, 1.2, 1.5, 1.2, 1.5)), (0, (1.5, 4)),
)  # fmt: skip
"""The strokes of many series in one picture, by their place; their colours come round."""
MARKERS = "osD^vPX*"
"""The same for values that no line joins."""

_STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200,
    86400, 2 * 86400, 5 * 86400, 10 * 86400, 30 * 86400, 100 * 86400, 365 * 86400,
)  # fmt: skip

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Format:
    """Sizes in units; a unit is a CSS pixel where the page shows the picture at its own width. ``left`` and ``right``
    are the room beside every time axis, the same in all pictures so that they share it."""

    name: str
    width: int
    left: int
    right: int
    letters: float
    ticks: int
    columns: int


WIDE = Format("wide", 800, 58, 16, 14.0, 8, 726)
NARROW = Format("narrow", 336, 54, 12, 12.5, 4, 270)


@dataclass(frozen=True)
class Sheet:
    """One picture's outer height and the insets of its axes, in units."""

    height: int
    top: int
    bottom: int


class Pen:
    """Draws into one figure. ``colours`` maps roles to colours."""

    def __init__(self, form: Format, sheet: Sheet, colours: Mapping[str, str]) -> None:
        self.form = form
        self.sheet = sheet
        self.colours = colours
        size = (form.width / _UNITS_PER_INCH, sheet.height / _UNITS_PER_INCH)
        self.figure = Figure(figsize=size, dpi=_UNITS_PER_INCH, facecolor="none")

    def axes(self, left: int | None = None, right: int | None = None) -> Axes:
        """Return the picture's axes, bare but for a fine grid."""
        left = self.form.left if left is None else left
        right = self.form.right if right is None else right
        wide, high, sheet = self.form.width, self.sheet.height, self.sheet
        box = (left / wide, sheet.bottom / high, (wide - left - right) / wide, (high - sheet.top - sheet.bottom) / high)
        axes = self.figure.add_axes(box)
        axes.set_facecolor("none")
        axes.set_axisbelow(True)
        axes.grid(True, color=self.colours["rule"], linewidth=0.8)
        for side in ("top", "right", "left"):
            axes.spines[side].set_visible(False)
        axes.spines["bottom"].set_color(self.colours["soft"])
        axes.tick_params(colors=self.colours["soft"], length=3, width=0.8, labelsize=self.form.letters, pad=3)
        return axes

    def time_axes(self, length_s: float, start: dt.datetime | None) -> Axes:
        """Return axes over a run's time in seconds, marked in UTC where the run's ``start`` is known, else in time
        since the start."""
        axes = self.axes()
        axes.set_xlim(0.0, length_s)
        step = step_for(length_s, self.form.ticks)
        before = 0.0 if start is None else -(start.timestamp() % step) % step
        axes.xaxis.set_major_locator(FixedLocator(np.arange(before, length_s + step * 1e-6, step).tolist()))
        if start is None:
            self.level_axis(axes, lambda value: elapsed(value, step))
        else:
            self.level_axis(axes, lambda value: clock(start, value, step), "UTC")
        axes.yaxis.set_major_locator(MaxNLocator(nbins=4, min_n_ticks=2))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))
        return axes

    def level_axis(self, axes: Axes, words: Callable[[float], str], unit: str = "") -> None:
        """Write the level axis' marks, and its ``unit`` at the left below it; marks that would run into the unit or
        past the right end stay blank."""
        low, high = axes.get_xlim()
        scale = (self.form.width - self.form.left - self.form.right) / (high - low)
        letter = _LETTER_WIDTH * self.form.letters
        taken = len(unit) * letter + 6 - self.form.left if unit else -math.inf

        def shown(value: float, _: int | None) -> str:
            text, place = words(value), (value - low) * scale
            half = len(text) * letter / 2
            fits = place - half >= taken and place + half <= (high - low) * scale + self.form.right
            return text if fits else ""

        axes.xaxis.set_major_formatter(FuncFormatter(shown))
        axes.annotate(
            unit, (0, 0), xytext=(2 - self.form.left, -4), xycoords="axes fraction", textcoords="offset points",
            fontsize=self.form.letters, color=self.colours["soft"], ha="left", va="top", annotation_clip=False,
        )  # fmt: skip

    def label(self, axes: Axes, words: str, at: tuple[float, float], *, above: bool) -> None:
        """Write ``words`` beside a place in the picture."""
        low, high = axes.get_xlim()
        share = (at[0] - low) / (high - low)
        across = "left" if share < 0.1 else "right" if share > 0.9 else "center"
        axes.annotate(
            words, at, xytext=(0, 8 if above else -8), textcoords="offset points", fontsize=self.form.letters,
            color=self.colours["ink"], ha=across, va="bottom" if above else "top", zorder=6, annotation_clip=False,
        )  # fmt: skip

    def unit(self, axes: Axes, words: str) -> None:
        """Write a unit above the upright axis, where a phone has room for it."""
        axes.annotate(
            words, (0, 1), xytext=(3 - self.form.left, 7), xycoords="axes fraction", textcoords="offset points",
            fontsize=self.form.letters, color=self.colours["soft"], ha="left", va="bottom", annotation_clip=False,
        )  # fmt: skip

    def line(
        self,
        axes: Axes,
        thinned: Thinned,
        role: str,
        label: str,
        *,
        width: float = 1.5,
        steps: bool = False,
        place: int | None = None,
    ) -> None:
        """Draw a series; values that stand alone become dots. One of many has the stroke of its ``place``."""
        style = DASHES[role] if place is None else STROKES[place % len(STROKES)]
        kind = "steps-post" if steps and not thinned.thinned else "default"
        axes.plot(
            thinned.x, thinned.y, color=self.colours[role], linewidth=width, linestyle=style, label=label,
            drawstyle=kind,
            solid_capstyle="butt", dash_capstyle="butt", solid_joinstyle="round",
        )  # fmt: skip
        if len(thinned.alone_x):
            axes.plot(thinned.alone_x, thinned.alone_y, ".", color=self.colours[role], markersize=4)

    def dots(self, axes: Axes, x: Floats, y: Floats, role: str, label: str, place: int) -> None:
        """Draw values that no line joins, because they came at no even pace."""
        axes.plot(x, y, MARKERS[place % len(MARKERS)], color=self.colours[role], markersize=4, linestyle="none",
                  label=label)  # fmt: skip

    def key(self, axes: Axes, columns: int = 3) -> None:
        """Name the series above the axes, on the right."""
        if not axes.get_legend_handles_labels()[0]:
            return
        axes.legend(
            loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=columns, frameon=False, borderaxespad=0.1,
            fontsize=self.form.letters, labelcolor=self.colours["ink"], handlelength=1.9, handletextpad=0.4,
            columnspacing=1.0, borderpad=0.2,
        )  # fmt: skip

    def scaled(self, axes: Axes, unit: str, least: float, greatest: float, *, whole: bool) -> None:
        """Mark the upright axis in few digits, whatever the size of its values from ``least`` to ``greatest``; the
        power of ten and what was taken off stand with the ``unit``. ``whole`` ones have no marks between them."""
        power, base = scale_of(least, greatest)
        factor = 10.0**power
        self.unit(axes, scaled_unit(unit, power, base))
        shown = MaxNLocator(nbins=4, min_n_ticks=2, integer=whole and power == 0)
        marks = shown.tick_values((least - base) / factor, (greatest - base) / factor)
        # Lower down, a mark would run into the level axis' unit.
        low = least + 0.06 * (greatest - least)
        inside = [one for one in marks if low <= one * factor + base <= greatest]
        axes.yaxis.set_major_locator(FixedLocator([one * factor + base for one in inside]))
        decimals = decimals_of(inside)
        words = [f"{one + 0.0:,.{decimals}f}".replace("-", "−") for one in inside]
        # Separators as elsewhere, but where they would leave the picture.
        if any(_width(one) * self.form.letters > self.form.left - _MARK for one in words):
            words = [one.replace(",", "") for one in words]
        axes.yaxis.set_major_formatter(FixedFormatter(words))

    def shade(self, axes: Axes, spans: Sequence[tuple[float, float]]) -> None:
        """Lay gaps behind the series."""
        wide = [(start, end - start) for start, end in spans]
        behind = axes.get_xaxis_transform()
        axes.broken_barh(wide, (0, 1), facecolors=self.colours["shade"], linewidth=0, zorder=0, transform=behind)

    def logarithmic(self, axes: Axes, least: float, greatest: float) -> None:
        """Make the upright axis logarithmic, marked at 1, 2 and 5 of each decade."""
        low, high = math.log10(max(least, 1e-4)), math.log10(max(greatest, least * 1.5, 1e-4))
        room = max(0.06 * (high - low), 0.03)
        axes.set_yscale("log")
        axes.set_ylim(10 ** (low - room), 10 ** (high + room))
        decades = range(math.floor(low) - 1, math.ceil(high) + 2)
        several = high - low > 1.6
        marks = [digit * 10.0**decade for decade in decades for digit in ((1,) if several else (1, 2, 5))]
        shown = [mark for mark in marks if 10 ** (low - room) <= mark <= 10 ** (high + room)]
        axes.yaxis.set_major_locator(FixedLocator(shown or [10**low]))
        axes.yaxis.set_minor_locator(NullLocator())
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain(value)))


Draw = Callable[[Pen], None]
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def key_columns(form: Format, labels: Sequence[str], unit: str) -> int:
    """Return in how many columns of a key ``labels`` have room beside ``unit``, its rows as even as can be."""
    letter = _LETTER_WIDTH * form.letters
    # Handle and spaces as in Pen.key.
    widest = max((len(label) for label in labels), default=0) * letter + 3.3 * form.letters
    room = form.width - form.right - (len(unit) + 1) * letter
    rows = -(-len(labels) // max(1, int(room // widest)))
    return -(-len(labels) // max(1, rows)) or 1


def scale_of(least: float, greatest: float) -> tuple[int, float]:
    """Return the power of ten that values from ``least`` to ``greatest`` are told in, and what is taken off them first
    because it is the same in all."""
    size, span = max(abs(least), abs(greatest)), greatest - least
    base = 0.0
    if 0 < span < 2e-4 * size:
        step = 10.0 ** math.ceil(math.log10(10 * span))
        base = round((least + greatest) / 2 / step) * step
        size = max(abs(least - base), abs(greatest - base))
    if size == 0 or 1e-3 <= size < 1e5:
        return 0, base
    return 3 * math.floor(math.log10(size) / 3), base


def scaled_unit(unit: str, power: int, base: float) -> str:
    """A unit with its power of ten, and what was taken off."""
    times = f"10{str(power).translate(_SUPERSCRIPTS)}" if power else ""
    words = " ".join(part for part in (times, unit) if part)
    return f"{words} from {plain(base)} on".strip() if base else words


def step_for(length_s: float, marks: int) -> int:
    """Return the smallest round step in seconds that gives at most ``marks`` marks over ``length_s``."""
    return next((step for step in _STEPS_S if length_s / step <= marks), max(1, math.ceil(length_s / marks)))


def elapsed(seconds: float, step: float) -> str:
    """A time since the start, as precisely as ``step`` asks."""
    total = round(seconds)
    if total == 0:
        return "0"
    days, hours, minutes, rest = total // 86400, total // 3600 % 24, total // 60 % 60, total % 60
    if step >= 86400:
        return f"{days} d"
    if step >= 3600:
        return f"{total // 3600} h" if days < 2 else f"{days} d {hours} h"
    if step >= 60:
        return f"{total // 60} min" if total < 3600 else f"{total // 3600} h {minutes:02d}"
    return f"{total} s" if total < 60 else f"{total // 60} min" + (f" {rest:02d}" if rest else "")


def clock(start: dt.datetime, seconds: float, step: float) -> str:
    """A time of day in UTC ``seconds`` after ``start``, as precisely as ``step`` asks; at midnight the date."""
    try:
        when = start + dt.timedelta(seconds=round(seconds, 3))
    except OverflowError:
        return ""
    when += dt.timedelta(milliseconds=500)
    if step >= 86400 or (step >= 60 and (when.hour, when.minute) == (0, 0)):
        return f"{when.day} {_MONTHS[when.month - 1]}"
    return f"{when:%H:%M}" if step >= 60 else f"{when:%H:%M:%S}"


def decimals_of(marks: Sequence[float]) -> int:
    """How many decimals tell all of an axis' marks, the same for each."""
    for digits in range(_DECIMALS_MAX):
        if all(abs(one * 10**digits - round(one * 10**digits)) < 1e-6 * max(1.0, abs(one)) for one in marks):
            return digits
    return _DECIMALS_MAX


def _width(words: str) -> float:
    """Of an axis' mark, in letter heights."""
    return sum(_POINT_WIDTH if letter in ",." else _DIGIT_WIDTH for letter in words)


def plain(value: float) -> str:
    """An axis mark in plain decimals, with commas at the thousands."""
    text = f"{value:,.6g}" if abs(value) < 1e6 else f"{value:,.0f}"
    return text.replace("-", "−")


@contextmanager
def _settings(salt: str) -> Iterator[None]:
    """Our own settings for one picture, whatever the user's are. Text stays text; dollar signs mean nothing."""
    with matplotlib.rc_context(), warnings.catch_warnings():
        # A unit may have letters that matplotlib's font lacks; the page's fonts, not that one, show them.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        matplotlib.rcdefaults()
        matplotlib.rcParams.update({
            "svg.fonttype": "none",
            "svg.hashsalt": salt,
            "text.parse_math": False,
            "path.simplify": False,
            "font.family": ["DejaVu Sans"],
            "axes.unicode_minus": True,
        })  # fmt: skip
        yield


def draw_svg(draw: Draw, form: Format, sheet: Sheet, salt: str) -> bytes:
    """Return a picture as matplotlib's SVG, in colours that stand for roles."""
    with _settings(salt):
        pen = Pen(form, sheet, PLACEHOLDERS)
        draw(pen)
        out = io.BytesIO()
        FigureCanvasSVG(pen.figure)
        pen.figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
        return out.getvalue()


def draw_png(draw: Draw, form: Format, sheet: Sheet) -> bytes:
    """Return a picture as a PNG file on the light theme's sheet, two dots a unit."""
    with _settings("png"):
        pen = Pen(form, sheet, LIGHT)
        draw(pen)
        pen.figure.set_facecolor(LIGHT["sheet"])
        out = io.BytesIO()
        FigureCanvasAgg(pen.figure)
        pen.figure.savefig(out, format="png", dpi=_PNG_DOTS_PER_INCH, metadata={"Software": None})
        return out.getvalue()
