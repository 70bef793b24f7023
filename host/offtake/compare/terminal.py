"""The comparison for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from offtake.compare import words
from offtake.compare.model import Comparison
from offtake.report import text

WIDTH = 80


def lines(found: Comparison) -> list[str]:
    """Return the paragraph, the advice, the table and the notes."""
    made = [*_paragraph(found.paragraph), "", *_paragraph(found.advice), "", *_table(found), ""]
    for one in (found.sky, *found.before.notes, *found.after.notes, *found.notes):
        made += _paragraph(text.stranger(one, 400))
    for side, about in (("before", found.before), ("after", found.after)):
        run = "" if about.run is None else f", run {about.run}"
        made += _paragraph(f"{side}: {text.stranger(about.source, 200)}{run}, {text.duration(about.seconds)}")
    return made


def _paragraph(said: str) -> list[str]:
    return wrap(said, WIDTH, break_long_words=True, break_on_hyphens=False)


def _table(found: Comparison) -> Iterator[str]:
    heads = ("", "before", "after", "change", "95 % interval", "verdict")
    rows = [heads]
    for one in found.measures:
        title = f"{one.title}, {one.unit}" if one.unit else one.title
        rows.append(
            (title, words.value(one.before, one), words.value(one.after, one), *words.difference(one), one.verdict)
        )
    widths = [max(len(row[place]) for row in rows) for place in range(len(heads))]
    between = "  " if sum(widths) + 2 * (len(widths) - 1) <= WIDTH else " "
    for row in rows:
        cells = [
            cell.ljust(width) if place in (0, len(heads) - 1) else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield between.join(cells).rstrip()
