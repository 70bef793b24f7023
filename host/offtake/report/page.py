"""The page: one file that needs nothing from anywhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from offtake.report import lists, text
from offtake.report.answer import Answer, Ref, Sentence
from offtake.report.cells import Figure
from offtake.report.figures import Facts
from offtake.report.markup import Markup, element, join
from offtake.report.run_section import RunPictures, run_section
from offtake.report.sensor_part import sensors_id
from offtake.report.shell import MARKS, document, footer, theme_choice
from offtake.report.svg import StyleSheet

COLUMNS_MAX = 8
"""Runs side by side in the table of figures; further ones are folded away in tables of their own,"""
TABLED_MAX = 200
"""and beyond this many they are left out, but for those that the summary speaks of."""


def render(facts: Facts, answers: Sequence[Answer], runs: Sequence[RunPictures]) -> bytes:
    """Return the page in UTF-8."""
    styles = StyleSheet()
    sections = [run_section(one, styles) for one in runs]
    body = join(
        element("a", "Skip to the summary", class_="skip", href="#summary"),
        _head(facts, runs),
        element(
            "main",
            _summary(answers, len(facts.runs) > 1),
            *sections,
            _not_pictured(facts, runs),
            _figures(facts, answers),
            element("section", element("h2", "The journal's blocks"), lists.findings(facts), id="blocks"),
        ),
        footer(),
    )
    title = text.stranger(facts.inputs.source, 80) or "a journal"
    return document(f"How {title} went", body, styles, "page.js")


def _head(facts: Facts, runs: Sequence[RunPictures]) -> Markup:
    header = facts.inputs.verify.header
    label = text.stranger(header.label) if header else ""
    number = facts.inputs.verify.journal_id
    about = [element("bdi", text.stranger(facts.inputs.source) or "a journal")]
    if label:
        about.append(join("“", element("bdi", label), "”"))
    if number is not None:
        about.append(join(f"journal {number:08x}"))
    places = [
        ("summary", "In words"),
        *(place for one in runs for place in _places(one, len(runs) > 1)),
        ("figures", "In figures"),
        ("blocks", "Blocks"),
    ]
    return element(
        "header",
        element("h1", "How the recording went"),
        element("p", *_between(about, " · "), class_="about"),
        theme_choice(),
        element("nav", *(element("a", words, href=f"#{place}") for place, words in places), aria_label="On this page"),
    )


def _places(one: RunPictures, several: bool) -> Iterable[tuple[str, str]]:
    run = one.facts.run.run
    yield f"run-{run}", f"Run {run}"
    if one.sensors:
        yield sensors_id(run), f"Sensors of run {run}" if several else "Sensors"


def _between(parts: Sequence[Markup], mark: str) -> Iterable[str]:
    for place, part in enumerate(parts):
        if place:
            yield mark
        yield part


def _summary(answers: Sequence[Answer], several: bool) -> Markup:
    items = [
        element(
            "div",
            element(
                "h3",
                element("span", answer.question, class_="question"),
                " ",
                element("span", element("span", MARKS[answer.verdict], class_="mark", aria_hidden="true"),
                        " ", answer.word, class_="word"),
            ),
            element(
                "div",
                *(element("p", *_sentence(sentence, several)) for sentence in answer.sentences),
                *(element("p", note, class_="note") for note in answer.notes),
            ),
            class_=f"answer {answer.verdict}",
        )
        for answer in answers
    ]  # fmt: skip
    return element(
        "section",
        element("h2", "In words"),
        element("p", "Each underlined figure leads to its place in the table.", class_="note"),
        *items,
        id="summary",
        tabindex="-1",
    )


def _sentence(sentence: Sentence, several: bool) -> Iterable[str]:
    for part in sentence:
        if isinstance(part, Ref):
            yield element(
                "a", part.shown, class_="figure", href=f"#{_cell_id(part.key, part.run if several else None)}"
            )
        else:
            yield part


def _cell_id(key: str, run: int | None) -> str:
    return f"f-{key}-all" if run is None else f"f-{key}-{run}"


def _not_pictured(facts: Facts, runs: Sequence[RunPictures]) -> Markup | None:
    count = len(facts.runs) - len(runs)
    if not count:
        return None
    words = text.plural(count, "shorter run has", "shorter runs have")
    more = f"{words} no pictures here; the figures below are of all. A report of one run alone has its pictures."
    return element("section", element("h2", "Further runs"), element("p", more))


def _figures(facts: Facts, answers: Sequence[Answer]) -> Markup:
    spoken = {
        part.run for answer in answers for sentence in answer.sentences for part in sentence if isinstance(part, Ref)
    }  # fmt: skip
    runs = [one.run.run for one in facts.runs]
    shown = [run for place, run in enumerate(runs) if place < TABLED_MAX or run in spoken]
    first, rest = shown[:COLUMNS_MAX], shown[COLUMNS_MAX:]
    folded = [
        element("details", element("summary", f"Runs {part[0]} to {part[-1]}" if len(part) > 1 else f"Run {part[0]}"),
                _figure_table(facts, part, whole=False))
        for part in (rest[place : place + COLUMNS_MAX] for place in range(0, len(rest), COLUMNS_MAX))
    ]  # fmt: skip
    cut = len(runs) - len(shown)
    note = (
        f"{text.plural(cut, 'run is', 'runs are')} left out of these tables, and counted under “all”." if cut else None
    )
    return element(
        "section",
        element("h2", "In figures"),
        _figure_table(facts, first, whole=True),
        *folded,
        element("p", note, class_="note") if note else None,
        id="figures",
    )


def _figure_table(facts: Facts, runs: Sequence[int], *, whole: bool) -> Markup:
    """Rows by question, a column for each of ``runs`` and, where it says more, one for the whole journal."""
    alone = len(facts.runs) <= 1
    heads = (
        ["all" if not runs else f"run {runs[0]}"]
        if alone
        else [*(["all"] if whole else []), *(f"run {run}" for run in runs)]
    )
    rows: list[Markup] = []
    for group in facts.groups:
        rows.append(element("tr", element("th", group.title, scope="colgroup", colspan=len(heads) + 1, class_="group")))
        for figure in group.figures:
            cells = [_alone(figure, runs)] if alone else [*([(figure.all, None)] if whole else []),
                                                          *((figure.cells[run], run) for run in runs)]  # fmt: skip
            rows.append(element(
                "tr", element("th", figure.label, scope="row"),
                *(element("td", shown, id=_cell_id(figure.key, run)) for shown, run in cells),
            ))  # fmt: skip
    inner = element(
        "table",
        element("thead", element("tr", element("td"), *(element("th", head, scope="col") for head in heads))),
        element("tbody", *rows),
        class_="figures",
    )
    return element("div", inner, class_="scroll", tabindex="0", role="region", aria_label="Table of figures")


def _alone(figure: Figure, runs: Sequence[int]) -> tuple[str, None]:
    """One run is the whole: what only the journal has stands in its column too."""
    cell = figure.cells[runs[0]] if runs else text.NONE
    return (figure.all if cell == text.NONE else cell), None
