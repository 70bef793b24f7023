"""One run's part of the page: pictures with their words, the time cursor, and lists."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.report import lists, text
from offtake.report.cursor import COLUMNS, cursor_data
from offtake.report.draw_map import Way
from offtake.report.draw_time import Plot
from offtake.report.figures import RunFacts
from offtake.report.markup import Markup, data_block, element
from offtake.report.measures import Drawn
from offtake.report.pen import WIDE, Format, Sheet, draw_svg
from offtake.report.picture import Picture
from offtake.report.sensor_part import SensorPart, sensors_head, sensors_tables
from offtake.report.svg import StyleSheet, inline_svg


@dataclass(frozen=True)
class RunPictures:
    """One run and its pictures, and what they were drawn from."""

    facts: RunFacts
    track: Picture
    timed: tuple[Picture, ...]
    scatter: tuple[Picture, ...]
    plots: tuple[Plot, ...]
    way: Way
    sensors: SensorPart | None = None

    @property
    def all(self) -> tuple[Picture, ...]:
        """All of them, in the page's order."""
        return (self.track, *self.timed, *(self.sensors.pictures if self.sensors else ()), *self.scatter)

    @property
    def read_out(self) -> tuple[Drawn, ...]:
        """What the time cursor tells the values of."""
        return (*self.plots, *(self.sensors.drawn if self.sensors else ()))


def run_section(one: RunPictures, styles: StyleSheet) -> Markup:
    """Return the run's section."""
    number = one.facts.run.run
    start = one.facts.series.clock.start_utc
    since = f"It began on {text.moment(start)}." if start else "It told no date: the time axes count from its start."
    plots = [plot for plot in one.read_out if isinstance(plot, Plot)]
    most = max((len(quantity.values) for plot in plots for quantity in plot.told), default=0)
    return element(
        "section",
        element("h2", f"Run {number}"),
        element("p", since),
        element(
            "div",
            element("h3", "Where it went"),
            _figure(one.track, styles),
            element("h3", "Over time"),
            element("p", _how_drawn(one, most), class_="note"),
            _control(f"r{number}"),
            element("div", *(_figure(picture, styles) for picture in one.timed), class_="stack"),
            sensors_head(one.sensors, number) if one.sensors else None,
            element("div", *(_figure(picture, styles) for picture in one.sensors.pictures), class_="stack")
            if one.sensors
            else None,
            data_block(f"r{number}-data", cursor_data(one.facts.series, one.read_out, one.way)),
            class_="timed",
            data_run=f"r{number}",
        ),
        sensors_tables(one.facts, one.sensors) if one.sensors else None,
        element("h3", "At rest") if one.scatter else None,
        element("div", *(_figure(picture, styles) for picture in one.scatter), class_="rests") if one.scatter else None,
        lists.glitches(one.facts),
        lists.gaps(one.facts),
        lists.events(one.facts),
        lists.messages(one.facts),
        id=f"run-{number}",
        class_="run",
    )


def _how_drawn(one: RunPictures, most: int) -> str:
    words = "All these pictures share one time axis."
    if one.facts.run.analysis.gaps:
        words += " Shaded: gaps in the track."
    if most > 2 * WIDE.columns:
        words += (
            f" Long series (up to {text.whole(most)} values here) are drawn column by column, {WIDE.columns} in the "
            "wide pictures, each from its least value to its greatest, so that no spike is lost."
        )
    return words


def _control(key: str) -> Markup:
    """The time cursor. It is a slider, so arrow keys move it; without a script it stays hidden."""
    words = "Slide, use the arrow keys, or point at a picture: the values of that moment stand here."
    slider = element("input", type="range", id=f"{key}-cursor", min=0, max=COLUMNS - 1, value="0", step="1")
    return element(
        "div",
        element("label", "Time cursor", for_=f"{key}-cursor"),
        element("div", slider, class_="rail"),
        element("output", words, for_=f"{key}-cursor", id=f"{key}-read", class_="read"),
        class_="control",
        hidden=True,
    )


def _figure(picture: Picture, styles: StyleSheet) -> Markup:
    words = element("figcaption", element("h4", picture.heading), element("p", picture.caption, class_="caption"))
    if picture.draw is None:
        return element("figure", words, class_="empty")
    drawn: list[Markup] = []
    for place, (form, sheet) in enumerate(picture.formats):
        name = f"{picture.name}-{form.name}"
        source = draw_svg(picture.draw, form, sheet, name)
        extra, data = _overlay(picture, form, sheet, place)
        svg = inline_svg(source, name, styles, picture.description, extra, data)
        drawn.append(element("div", svg, class_=f"drawing {form.name}"))
    return element("figure", words, *drawn, class_=picture.kind)


def _overlay(picture: Picture, form: Format, sheet: Sheet, place: int) -> tuple[Markup, dict[str, float]]:
    """What the time cursor moves in a picture, and where its axes lie in it."""
    box = {"left": form.left, "right": form.width - form.right, "top": sheet.top, "bottom": sheet.height - sheet.bottom}
    if picture.kind == "time":
        return element("line", class_="cursor", x1="0", x2="0", y1=str(box["top"]), y2=str(box["bottom"])), dict(box)
    if picture.kind == "map":
        edges = dict(zip(("west", "east", "south", "north"), picture.extents[place], strict=True))
        return element("circle", class_="cursor", r="7", cx="0", cy="0"), {**box, **edges}
    return Markup(""), {}
