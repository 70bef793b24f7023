"""The comparison's page: the answer in words, pictures, figures, and how it was worked out."""

from __future__ import annotations

from collections.abc import Sequence

from offtake.compare import words
from offtake.compare.draw import pictures
from offtake.compare.judge import FAMILY_ERROR
from offtake.compare.kinds import KINDS
from offtake.compare.model import Comparison, Measure, Outcome, SessionWords
from offtake.report import text
from offtake.report.markup import Markup, element, join
from offtake.report.pen import draw_svg
from offtake.report.picture import Picture
from offtake.report.shell import MARKS, document, footer, theme_choice
from offtake.report.svg import StyleSheet, inline_svg

STATES: dict[Outcome, str] = {
    "no_harm": "good", "better": "good", "worse": "bad", "too_short": "look", "not_comparable": "unknown",
}  # fmt: skip
ANSWERS: dict[Outcome, str] = {
    "no_harm": "No harm seen.", "better": "No harm seen.", "worse": "It did worse.", "too_short": "Too short to tell.",
    "not_comparable": "That cannot be told.",
}  # fmt: skip


def render(found: Comparison) -> tuple[bytes, tuple[Picture, ...]]:
    """Return the page in UTF-8 and the pictures in it. The same comparison gives the same bytes."""
    styles = StyleSheet()
    drawn = pictures(found)
    effects, carrier = (_figure(one, styles) for one in drawn)
    body = join(
        element("a", "Skip to the summary", class_="skip", href="#summary"),
        _head(found),
        element(
            "main",
            _summary(found),
            element("section", element("h2", "In pictures"), effects, carrier, id="pictures"),
            element("section", element("h2", "In figures"), _table(found.measures), id="figures"),
            element("section", element("h2", "Measure by measure"), *map(_measure, found.measures), id="measures"),
            _method(),
        ),
        footer(),
    )
    return document("Did the tap do any harm?", body, styles), drawn


def _head(found: Comparison) -> Markup:
    places = (
        ("summary", "In words"), ("pictures", "In pictures"), ("figures", "In figures"),
        ("measures", "Measure by measure"), ("method", "How it was worked out"),
    )  # fmt: skip
    return element(
        "header",
        element("h1", "Did the tap do any harm?"),
        element("p", "Before: ", *_about(found.before), ". After: ", *_about(found.after), ".", class_="about"),
        theme_choice(),
        element("nav", *(element("a", said, href=f"#{place}") for place, said in places), aria_label="On this page"),
    )


def _about(one: SessionWords) -> tuple[str, ...]:
    run = "" if one.run is None else f", run {one.run}"
    return element("bdi", text.stranger(one.source, 80) or "a recording"), f"{run}, {text.duration(one.seconds)}"


def _summary(found: Comparison) -> Markup:
    said = (found.sky, *found.before.notes, *found.after.notes, *found.notes)
    return element(
        "section",
        element("h2", "In words"),
        _answer(
            "Did the receiver do worse after the tap?", ANSWERS[found.outcome], found.outcome,
            (found.paragraph, found.advice), tuple(text.stranger(one, 400) for one in said),
        ),
        id="summary",
        tabindex="-1",
    )  # fmt: skip


def _answer(question: str, word: str, outcome: Outcome, said: Sequence[str], notes: Sequence[str]) -> Markup:
    state = STATES[outcome]
    return element(
        "div",
        element(
            "h3",
            element("span", question, class_="question"),
            " ",
            element("span", element("span", MARKS[state], class_="mark", aria_hidden="true"), " ", word, class_="word"),
        ),
        element(
            "div",
            *(element("p", one) for one in said if one),
            *(element("p", one, class_="note") for one in notes if one),
        ),
        class_=f"answer {state}",
    )


def _measure(one: Measure) -> Markup:
    said = [one.words]
    if one.difference is not None:
        said.insert(0, f"{_sentence(one.title)} {words.change(one)}.")
    notes = (f"{_sentence(one.basis)}.",) if one.basis else ()
    return _answer(one.title, one.verdict, one.outcome, said, notes)


def _table(measures: Sequence[Measure]) -> Markup:
    heads = ("", "before", "after", "change", "95 % interval", "verdict")
    rows = []
    for one in measures:
        unit = f" ({one.unit})" if one.unit else ""
        texts = (words.value(one.before, one), words.value(one.after, one), *words.difference(one), one.verdict)
        cells = [element("td", shown) for shown in texts]
        rows.append(element("tr", element("th", one.title + unit, scope="row"), *cells))
    inner = element(
        "table",
        element("thead", element("tr", element("td"), *(element("th", head, scope="col") for head in heads[1:]))),
        element("tbody", *rows),
        class_="figures",
    )
    return join(
        element("div", inner, class_="scroll", tabindex="0", role="region", aria_label="Table of figures"),
        element(
            "p", "Changes are corrected for the sky where it could be, so they need not be the plain difference of the"
            " two values. × stands for after divided by before.", class_="note",
        ),
    )  # fmt: skip


def _figure(picture: Picture, styles: StyleSheet) -> Markup:
    said = element("figcaption", element("h4", picture.heading), element("p", picture.caption, class_="caption"))
    if picture.draw is None:
        return element("figure", said, class_="empty")
    drawn = []
    for form, sheet in picture.formats:
        name = f"{picture.name}-{form.name}"
        source = draw_svg(picture.draw, form, sheet, name)
        svg = inline_svg(source, name, styles, picture.description, Markup(""), {})
        drawn.append(element("div", svg, class_=f"drawing {form.name}"))
    return element("figure", said, *drawn, class_="map")


def _sentence(said: str) -> str:
    return said[:1].upper() + said[1:]


def _method() -> Markup:
    limits = [
        element("p", element("b", f"{_sentence(kind.title)}: {words.matters(kind)}."), f" {_sentence(kind.why)}.")
        for kind in KINDS
    ]
    return element(
        "section",
        element("h2", "How it was worked out"),
        *(element("p", one) for one in METHOD),
        element("h3", "The smallest change that matters"),
        *limits,
        id="method",
    )  # fmt: skip


METHOD = (
    "A receiver's values change slowly, so neighbours tell little new. Means over time have their uncertainty from"
    " whole blocks of time drawn again and again, as long as the data's own autocorrelation asks for (moving-block"
    " bootstrap).",
    "C/N0 is held against itself, satellite by satellite, at like elevations where both recordings have them; the"
    " rest is compared by one elevation curve. Its uncertainty is over satellites, whose reflections have nothing to do"
    " with each other, and over what all of them do at once.",
    "Two sessions of one receiver differ a little anyway: temperature, and where exactly the antenna lay. An allowance"
    " for that (0.3 dB for C/N0) is in every interval; no single pair can measure it.",
    f"“Worse” is said so that all measures together give at most {FAMILY_ERROR:.0%} false alarms (Holm's method), and"
    " only where the change itself is at least half of what matters. “No harm seen” is said where the 95 % interval"
    " excludes a change of the smallest size that matters. All else is too short to tell.",
)
