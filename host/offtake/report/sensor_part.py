"""A run's sensors in the page: their pictures, how often they told, what they told in figures, and their events."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
    ANALOGUE,
    EVENT,
    PICTURES_MAX,
    Drawn,
    drawn_of,
    full_scale,
    message_words,
    paced,
    setting_of,
    superseded,
    unpictured,
    voltage,
)
from offtake.report.picture import Picture
from offtake.report.sensor_figures import Constants, Figures, constants_of, figures_of

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


def sensors_id(run: int) -> str:
    """Where a run's sensors begin in the page."""
    return f"run-{run}-sensors"


def sensors_head(part: SensorPart, run: int) -> Markup:
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
        words.append(f"Never changed, and only in the table: {_some(part.still)}.")
    return join(element("h3", "Sensors", id=sensors_id(run)), *(element("p", one, class_="note") for one in words))


def _some(names: Sequence[str]) -> str:
    more = len(names) - lists.LISTED
    return "; ".join(names[: lists.LISTED]) + (f"; and {text.whole(more)} more" if more > 0 else "")


def sensors_tables(one: RunFacts, part: SensorPart) -> Markup:
    """How often each sensor told, its figures, and the events with their moments."""
    measured = one.run.measured
    return join(
        element("h3", "How often the sensors told"),
        element("p", "Tables that are wider than the screen slide sideways.", class_="note narrow"),
        _table("Sensors, how often", ("frames", "usual interval", "as set", "described by"), _paces(one)),
        *(element("p", text.stranger(note, 300), class_="note") for note in one.run.measured_notes[: lists.LISTED]),
        element("h3", "What the sensors told"),
        *_figure_tables(figures_of(one.series, measured)),
        *_constants(constants_of(one.series, measured)),
        element(
            "p",
            "Readings that were worked out into something else (a raw pressure, the time between two pulses) "
            "have no picture of their own.",
            class_="note",
        )
        if any(superseded(each, column) for each in measured for column in each.columns)
        else None,
        *(_events(one, each) for each in part.drawn if isinstance(each, States) and each.sudden),
    )


def _figure_tables(rows: Sequence[Figures]) -> Sequence[Markup]:
    """The figures, message by message; many are folded, very many cut."""
    if not rows:
        return ()
    shown, rest = rows[:_FIGURES_LISTED], rows[_FIGURES_LISTED : lists.LISTED_MAX]
    parts = [_figure_table("What the sensors told", shown)]
    if rest:
        words = f"The other {text.whole(len(rest))}" if len(rest) > 1 else "One more"
        parts.append(element("details", element("summary", words), _figure_table("Sensors, continued", rest)))
    cut = len(rows) - len(shown) - len(rest)
    if cut > 0:
        parts.append(element("p", f"{text.plural(cut, 'row is', 'rows are')} left out here.", class_="note"))
    return parts


def _constants(every: Sequence[Constants]) -> Iterator[Markup]:
    """A line for each message that was told once; its values are folded away."""
    for one in every[: lists.LISTED]:
        if not one.values:
            continue
        kept = one.values[: lists.LISTED_MAX]
        summary = element("summary", f"{one.message}, told once: {text.plural(len(one.values), 'value')}")
        cut = len(one.values) - len(kept)
        yield element(
            "details", summary, _table(f"{one.message}, told once", ("value",), kept),
            element("p", f"{text.plural(cut, 'row is', 'rows are')} left out here.", class_="note") if cut else None,
        )  # fmt: skip
    more = len(every) - lists.LISTED
    if more > 0:
        yield element("p", f"{text.plural(more, 'message was', 'messages were')} told once more.", class_="note")


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
    """What the run's own settings say of when a message comes, and of the analogue inputs' full scales."""
    asked = setting_of(one.series, measured)
    if asked is None:
        return text.NONE
    if measured.name == EVENT:
        return f"when a level lasts {_interval(asked)}"
    scales = _scales(one) if measured.name == ANALOGUE else ()
    return "; ".join((f"each {_interval(asked)}", *scales))


def _scales(one: RunFacts) -> Iterator[str]:
    for number in (1, 2):
        full = full_scale(one.series, number)
        if full is not None:
            yield f"input {number} up to {voltage(full)}" if full else f"input {number} off"


def _events(one: RunFacts, states: States) -> Markup:
    ticks = states.ticks_us[: lists.LISTED_MAX].tolist()
    rows = [
        (at, state_words(states.column, raw), lasted, f"{tick / 1e6:,.6f} s")
        for at, tick, raw, lasted in zip(
            lists.precisely(one, ticks), ticks, states.raw.tolist(), _lasted(states), strict=False
        )
    ]
    heads = ("at", "told", "lasted", "tick")
    return lists.listing(f"{states.heading}, as it happened", heads, rows, len(states.raw), "")


def _lasted(states: States) -> Iterator[str]:
    """How long each word held; where no word ended it, but the run or missing frames, the least it can have been."""
    told = len(states.starts)
    for place in range(min(told, lists.LISTED_MAX)):
        seconds = text.number(float(states.ends[place] - states.starts[place]), 6, "s")
        followed = place + 1 < told and states.ends[place] == states.starts[place + 1]
        yield seconds if followed else f"at least {seconds}"
