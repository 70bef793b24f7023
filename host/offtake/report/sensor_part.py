"""A run's sensors in the page: their pictures, how often they told, what they told in figures, and their events."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from offtake.report import lists, text
from offtake.report.draw_states import States, state_words, states_picture
from offtake.report.draw_time import time_picture
from offtake.report.figures import RunFacts
from offtake.report.markup import Markup, element, join
from offtake.report.measures import (
    EVENT,
    PICTURES_MAX,
    Drawn,
    drawn_of,
    message_words,
    paced,
    setting_of,
    superseded,
    unpictured,
)
from offtake.report.picture import Picture
from offtake.report.sensor_figures import Figures, figures_of

if TYPE_CHECKING:
    from offtake.journal.measured import Series

_FIGURES_LISTED = 24


@dataclass(frozen=True)
class SensorPart:
    """What of a run's sensors is drawn, ``left_out``, the headings of what would be too many pictures, and ``still``,
    what has nothing to draw. ``events_us`` are the moments, in microseconds since power-up, of words that came at no
    even pace."""

    drawn: tuple[Drawn, ...]
    pictures: tuple[Picture, ...]
    left_out: tuple[str, ...]
    still: tuple[str, ...]
    events_us: NDArray[np.int64]


def sensor_part(one: RunFacts, prefix: str) -> SensorPart | None:
    """Draw a run's sensors; ``None`` where it has none. ``prefix`` begins the pictures' names, which are ours."""
    if not one.run.measured:
        return None
    every = drawn_of(one.series, one.run.measured)
    drawn = every[:PICTURES_MAX]
    pictures = tuple(
        states_picture(each, one.series, f"{prefix}_sensor_{place}")
        if isinstance(each, States)
        else time_picture(each, one.series, f"{prefix}_sensor_{place}")
        for place, each in enumerate(drawn, start=1)
    )
    ticks = [each.ticks_us for each in every if isinstance(each, States) and each.sudden]
    events = np.unique(np.concatenate(ticks)) if ticks else np.empty(0, dtype=np.int64)
    left_out = tuple(each.heading for each in every[PICTURES_MAX:])
    return SensorPart(drawn, pictures, left_out, unpictured(one.series, one.run.measured), events)


def sensors_head(part: SensorPart) -> Markup:
    """The heading above the pictures, and what is not among them."""
    words = [
        "On the same time axis. Lines are broken where nothing was told for longer than usual."
        if part.drawn
        else "Nothing of them is a series that could be drawn."
    ]
    if part.left_out:
        named = _some(part.left_out)
        words.append(f"At most {PICTURES_MAX} pictures of sensors are drawn in a run. Only in the table: {named}.")
    if part.still:
        words.append(f"Told once or never changed, and only in the table: {_some(part.still)}.")
    return join(element("h3", "Sensors"), *(element("p", one, class_="note") for one in words))


def _some(names: Sequence[str]) -> str:
    more = len(names) - lists.LISTED
    return "; ".join(names[: lists.LISTED]) + (f"; and {text.whole(more)} more" if more > 0 else "")


def sensors_tables(one: RunFacts, part: SensorPart) -> Markup:
    """How often each sensor told, its figures, and the events with their moments."""
    measured = one.run.measured
    return join(
        element("h3", "How often the sensors told"),
        _table("Sensors, how often", ("frames", "usual interval", "as set", "described by"), _paces(one)),
        *(element("p", text.stranger(note, 300), class_="note") for note in one.run.measured_notes[: lists.LISTED]),
        element("h3", "What the sensors told"),
        *_figure_tables(figures_of(one.series, measured)),
        element("p", "Raw readings that were worked out into a value with a unit have no picture.", class_="note")
        if any(superseded(each, column) for each in measured for column in each.columns)
        else None,
        *(_events(one, each) for each in part.drawn if isinstance(each, States) and each.sudden),
    )


def _figure_tables(rows: Sequence[Figures]) -> Sequence[Markup]:
    """The figures, message by message; many are folded, very many cut."""
    shown, rest = rows[:_FIGURES_LISTED], rows[_FIGURES_LISTED : lists.LISTED_MAX]
    parts = [_figure_table("What the sensors told", shown)]
    if rest:
        words = f"The other {text.whole(len(rest))}" if len(rest) > 1 else "One more"
        parts.append(element("details", element("summary", words), _figure_table("Sensors, continued", rest)))
    cut = len(rows) - len(shown) - len(rest)
    if cut > 0:
        parts.append(element("p", f"{text.plural(cut, 'row is', 'rows are')} left out here.", class_="note"))
    return parts


def _figure_table(title: str, rows: Sequence[Figures]) -> Markup:
    heads = ("count", "first", "last", "least", "mean", "greatest")
    lines: list[lists.Row] = []
    for place, row in enumerate(rows):
        if not place or row.message != rows[place - 1].message:
            lines.append((row.message,))
        lines.append((row.name, *(getattr(row, head) for head in heads)))
    return _table(title, heads, lines)


def _table(title: str, heads: lists.Row, rows: Sequence[lists.Row]) -> Markup:
    """A table of figures; a row of its name alone begins a group."""
    lines = [
        element("tr", element("th", row[0], scope="row"), *(element("td", cell) for cell in row[1:]))
        if len(row) > 1
        else element("tr", element("th", row[0], scope="colgroup", colspan=len(heads) + 1, class_="group"))
        for row in rows
    ]
    head = element("tr", element("td"), *(element("th", one, scope="col") for one in heads))
    inner = element("table", element("thead", head), element("tbody", *lines), class_="figures")
    return element("div", inner, class_="scroll", tabindex="0", role="region", aria_label=title)


def _paces(one: RunFacts) -> Sequence[lists.Row]:
    return [
        (message_words(each), text.whole(each.frames), _usual(one, each), _setting(one, each), _READ_BY[each.layout])
        for each in one.run.measured[: lists.LISTED_MAX]
    ]


_READ_BY = {
    "log": "the run itself",
    "journal": "other runs",
    "spec": "this version",
}


def _usual(one: RunFacts, measured: Series) -> str:
    if len(measured.tick_us) < 2 or measured.frames > len(measured.tick_us):
        return text.NONE
    if not paced(one.series, measured):
        return "uneven"
    return _interval(float(np.median(np.diff(one.series.seconds_of(measured)))) * 1000.0)


def _interval(milliseconds: float) -> str:
    return text.number(milliseconds, 0, "ms") if milliseconds < 10_000 else text.duration(milliseconds / 1000.0)


def _setting(one: RunFacts, measured: Series) -> str:
    """What the run's own settings say of when a message comes."""
    asked = setting_of(one.series, measured)
    if asked is None:
        return text.NONE
    return f"when a level lasts {_interval(asked)}" if measured.name == EVENT else f"each {_interval(asked)}"


def _events(one: RunFacts, states: States) -> Markup:
    rows = [
        (lists.when(one, int(tick)), f"{tick / 1e6:,.6f} s", state_words(states.column, int(raw)))
        for tick, raw in zip(states.ticks_us[: lists.LISTED_MAX].tolist(), states.raw.tolist(), strict=False)
    ]
    heads = ("at", "tick", "what")
    return lists.listing(f"{states.heading}, as it happened", heads, rows, len(states.raw), "")
