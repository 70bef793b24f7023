"""The page: one file that needs nothing from anywhere."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib import resources

from offtake.report import text
from offtake.report.cursor import COLUMNS, cursor_data
from offtake.report.figures import Facts, RunFacts
from offtake.report.markup import Markup, data_block, element, join
from offtake.report.palette import DARK, LIGHT, custom_properties
from offtake.report.pen import draw_svg
from offtake.report.picture import Picture
from offtake.report.svg import StyleSheet, inline_svg
from offtake.report.words import Answer, Ref, Sentence

LISTED = 12
"""Rows of a list that stand open; the rest is folded away."""
LISTED_MAX = 2000
_MARKS = {"good": "●", "look": "◐", "bad": "✕", "unknown": "?"}
_MEANINGS = {"good": "good", "look": "worth a look", "bad": "bad", "unknown": "not known"}


@dataclass(frozen=True)
class RunPictures:
    """One run and its pictures."""

    facts: RunFacts
    track: Picture
    timed: tuple[Picture, ...]
    scatter: tuple[Picture, ...]

    @property
    def all(self) -> tuple[Picture, ...]:
        """All of them, in the page's order."""
        return (self.track, *self.timed, *self.scatter)


def render(facts: Facts, answers: Sequence[Answer], runs: Sequence[RunPictures]) -> bytes:
    """Return the page in UTF-8."""
    styles = StyleSheet()
    sections = [_run(one, styles) for one in runs]
    body = join(
        element("a", "Skip to the summary", class_="skip", href="#summary"),
        _head(facts),
        element("main", _summary(answers), _figures(facts), *sections, _findings(facts), id="main"),
        element("footer", element("p", "Made by offtake. Not for navigation, and not for decisions that safety hangs on.")),
    )  # fmt: skip
    css = _asset("page.css") + _themes() + styles.css
    script = _asset("page.js")
    policy = (
        f"default-src 'none'; style-src '{_hash(css)}'; script-src '{_hash(script)}'; base-uri 'none'; form-action 'none'"
    )
    title = text.stranger(facts.inputs.source, 80) or "a journal"
    page = join(
        Markup("<!DOCTYPE html>\n"),
        element(
            "html",
            element(
                "head",
                element("meta", charset="utf-8"),
                element("meta", http_equiv="Content-Security-Policy", content=policy),
                element("meta", name="viewport", content="width=device-width, initial-scale=1"),
                element("meta", name="color-scheme", content="light dark"),
                element("meta", name="referrer", content="no-referrer"),
                element("title", f"How {title} went"),
                element("style", Markup(css)),
            ),
            element("body", body, element("script", Markup(script))),
            lang="en",
        ),
    )
    return page.encode("utf-8", errors="replace")


def _asset(name: str) -> str:
    return (resources.files("offtake.report") / "assets" / name).read_text(encoding="utf-8")


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _themes() -> str:
    light, dark = custom_properties(LIGHT), custom_properties(DARK)
    chosen_dark = ":root:has(#theme-dark:checked)"
    chosen_light = ":root:has(#theme-light:checked)"
    return (
        f":root{{{light}}}\n"
        f"@media (prefers-color-scheme: dark){{:root{{{dark}}}}}\n"
        f"{chosen_light}{{{light}color-scheme:light}}\n{chosen_dark}{{{dark}color-scheme:dark}}\n"
        f"@media print{{:root:root:root{{{light}}}}}\n"
    )


def _head(facts: Facts) -> Markup:
    header = facts.inputs.verify.header
    label = text.stranger(header.label) if header else ""
    number = facts.inputs.verify.journal_id
    about = [text.stranger(facts.inputs.source)]
    if label:
        about.append(f"“{label}”")
    if number is not None:
        about.append(f"journal {number:08x}")
    themes = [
        (
            element("input", type="radio", name="theme", id=f"theme-{key}", checked=key == "system"),
            element("label", words, for_=f"theme-{key}"),
        )
        for key, words in (("system", "as the system"), ("light", "light"), ("dark", "dark"))
    ]
    choice = element(
        "fieldset", element("legend", "Colours"), *(part for pair in themes for part in pair), class_="themes"
    )
    return element("header", element("div", element("h1", "How the recording went"), element("p", " · ".join(about))), choice)


def _summary(answers: Sequence[Answer]) -> Markup:
    items = [
        element(
            "section",
            element(
                "h3",
                element("span", _MARKS[answer.verdict], class_="mark", role="img", aria_label=_MEANINGS[answer.verdict]),
                f" {answer.question} ",
                element("span", answer.word, class_="word"),
            ),
            *(element("p", *_sentence(sentence)) for sentence in answer.sentences),
            *(element("p", note, class_="note") for note in answer.notes),
            class_=f"answer {answer.verdict}",
        )
        for answer in answers
    ]
    return element("section", element("h2", "In words"), element("div", *items, class_="answers"), id="summary", tabindex="-1")


def _sentence(sentence: Sentence) -> Iterable[str]:
    for part in sentence:
        yield element("a", part.shown, class_="figure", href=f"#f-{part.key}") if isinstance(part, Ref) else part


def _figures(facts: Facts) -> Markup:
    runs = [one.run.run for one in facts.runs]
    several = len(runs) > 1
    heads = ["", *(["all"] if several else []), *(f"run {run}" for run in runs)]
    rows: list[Markup] = []
    for group in facts.groups:
        title = element("th", group.title, scope="colgroup", colspan=len(heads), class_="group")
        rows.append(element("tr", title))
        for figure in group.figures:
            whole = figure.all
            cells = [figure.cells[run] for run in runs]
            if not several:
                # One run is the whole: what only the journal has stands in its column.
                cells = [cell if cell != text.NONE else whole for cell in cells] or [whole]
            shown = [whole, *cells] if several else cells
            rows.append(
                element("tr", element("th", figure.label, scope="row"), *(element("td", cell) for cell in shown),
                        id=f"f-{figure.key}")
            )  # fmt: skip
    if not runs:
        heads.append("journal")
    table = element(
        "table",
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *rows),
    )
    return element(
        "section", element("h2", "In figures"), element("div", table, class_="scroll", tabindex="0", role="region",
                                                         aria_label="Table of figures"), id="figures"
    )  # fmt: skip


def _run(one: RunPictures, styles: StyleSheet) -> Markup:
    number = one.facts.run.run
    key = f"r{number}"
    start = text.moment(one.facts.series.clock.start_utc)
    since = f"It began at {start}; the time axis counts from there." if start != text.NONE else (
        "No date was told: the time axis counts from the run's start."
    )  # fmt: skip
    control = element(
        "div",
        element("label", "Time cursor", for_=f"{key}-cursor"),
        element("input", type="range", id=f"{key}-cursor", min="0", max=str(COLUMNS - 1), value="0", step="1",
                class_="cursor-control"),
        element("output", "Move the cursor, or point at a picture, to read the values.", for_=f"{key}-cursor",
                id=f"{key}-read", class_="read"),
        class_="control",
        hidden=True,
    )  # fmt: skip
    return element(
        "section",
        element("h2", f"Run {number} in pictures"),
        element("p", since),
        _figure(one.track, styles),
        element(
            "div",
            element("h3", "Over time"),
            control,
            *(_figure(picture, styles, one.facts.series.length_s) for picture in one.timed),
            data_block(f"{key}-data", cursor_data(one.facts.series)),
            class_="stack",
            data_run=key,
        ),
        element("h3", "At rest") if one.scatter else None,
        element("div", *(_figure(picture, styles) for picture in one.scatter), class_="rests") if one.scatter else None,
        _list("Glitches", ("from", "what", "evidence"), _glitches(one.facts), "No glitch was found in this run."),
        _list("Gaps", ("from", "length", "why"), _gaps(one.facts), "No gap was found in this run."),
        _list("What the logger wrote down", ("at", "what"), _events(one.facts), "Nothing."),
        id=f"run-{number}",
        class_="run",
    )


def _figure(picture: Picture, styles: StyleSheet, length_s: float | None = None) -> Markup:
    heading = element("h4", picture.heading)
    caption = element("p", picture.caption, class_="caption")
    if picture.draw is None:
        return element("figure", element("figcaption", heading, caption), class_="empty")
    drawn: list[Markup] = []
    for form, sheet in picture.formats:
        source = draw_svg(picture.draw, form, sheet, f"{picture.name}-{form.name}")
        extra, data = Markup(""), {}
        if length_s is not None:
            extra = element("line", class_="cursor", x1="0", x2="0", y1=str(sheet.top), y2=str(sheet.height - sheet.bottom))
            data = {"left": form.left, "right": form.width - form.right}
        svg = inline_svg(source, f"{picture.name}-{form.name}", styles, picture.description, extra, **data)
        drawn.append(element("div", svg, class_=f"drawing {form.name}"))
    return element("figure", element("figcaption", heading, caption), *drawn, class_=picture.kind)


Row = tuple[str, ...]


def _list(title: str, heads: Row, rows: Sequence[Row], nothing: str) -> Markup:
    """A table; what is long is folded, and what is very long is cut, with the number said."""
    if not rows:
        return join(element("h3", title), element("p", nothing))
    first = _table(heads, rows[:LISTED], title)
    rest = rows[LISTED:LISTED_MAX]
    folded = None
    if rest:
        folded = element("details", element("summary", f"{text.plural(len(rest), 'more')}".replace("mores", "more")),
                         _table(heads, rest, f"{title}, continued"))  # fmt: skip
    cut = len(rows) - LISTED_MAX
    more = element("p", f"{text.whole(cut)} more are not listed here; `offtake export --to csv` lists all.") if cut > 0 else None
    return join(element("h3", f"{title} ({text.whole(len(rows))})"), first, folded, more)


def _table(heads: Row, rows: Sequence[Row], title: str) -> Markup:
    table = element(
        "table",
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *(element("tr", *(element("td", cell) for cell in row)) for row in rows)),
        class_="list",
    )
    return element("div", table, class_="scroll", tabindex="0", role="region", aria_label=title)


def _when(one: RunFacts, tick_us: int) -> str:
    """A moment as UTC where it is known, else as time since the run's start."""
    timeline = one.run.track.timeline
    stamp = timeline.stamp(tick_us) if timeline is not None else None
    return text.moment(stamp.utc) if stamp is not None else f"+{text.duration(one.series.clock.second(tick_us))}"


def _glitches(one: RunFacts) -> list[Row]:
    rows: list[Row] = []
    for glitch in one.run.analysis.glitches[: LISTED_MAX + 1]:
        evidence = ", ".join(f"{name} {text.number(value, 3)}" for name, value in glitch.evidence)
        rows.append((_when(one, glitch.start_tick_us), text.stranger(glitch.text, 300), evidence))
    return rows


def _gaps(one: RunFacts) -> list[Row]:
    reasons = {"no_position": "epochs without a position", "nothing_heard": "nothing heard", "bytes_lost": "bytes lost"}
    return [
        (_when(one, gap.start_tick_us), text.duration(gap.seconds), reasons.get(gap.reason, gap.reason))
        for gap in one.run.analysis.gaps
    ]


def _events(one: RunFacts) -> list[Row]:
    return [
        (_when(one, event.tick_us), text.stranger(event.text, 300)) for event in one.run.events if event.kind != "supply"
    ]


def _findings(facts: Facts) -> Markup:
    verify = facts.inputs.verify
    rows = [(finding.severity, text.whole(finding.position), text.stranger(finding.text, 300)) for finding in verify.findings]
    nothing = "Every block and frame of the journal is whole."
    return element("section", element("h2", "The journal's blocks"),
                   _list("Findings", ("kind", "block", "what"), rows, nothing), id="blocks")  # fmt: skip
