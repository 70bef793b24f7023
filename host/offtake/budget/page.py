"""A budget as a page of text, 80 columns wide: a table for each section, notes where they matter, sources below."""

from __future__ import annotations

from textwrap import wrap

from offtake.budget.model import Budget, Line, Verdict

WIDTH = 80
_SHOWN_END, _LIMIT_END, _MARGIN_END, _VERDICT_END = 39, 52, 60, 73
_INDENT = 4


def page(budget: Budget, *, every_note: bool = False, brief: bool = False) -> list[str]:
    """The lines of the page. Notes stand under lines that are not good, or under all of them; ``brief`` leaves out what
    is good, and plain facts."""
    numbers: dict[str, int] = {}
    out: list[str] = []
    for section in budget.sections:
        lines = [line for line in section.lines if not brief or _speaks(line)]
        if not lines:
            continue
        out += ["", _row(section.name.upper(), "value", "limit", "margin", "verdict", "source"), "-" * WIDTH]
        for line in lines:
            out += _line(line, numbers, every_note)
    out += ["", "SOURCES", "-" * WIDTH] if numbers else []
    for source, number in numbers.items():
        out += _wrapped(f"{number:>2}  {source}", "", " " * _INDENT)
    return [*_head(budget), *out, "", *_foot(budget)]


def _head(budget: Budget) -> list[str]:
    plan = budget.plan
    line = "a line that never pauses" if plan.load.saturated else f"{plan.load.bytes_per_s:,.0f} bytes a second"
    text = (
        f"{plan.board.name} at {plan.board_v:g} V, receiver at {plan.receiver_v:g} V, {plan.baud:,} Bd, {line}, tap"
        f" through {plan.resistor_ohm:,.0f} ohm, card of {_size(plan.card_bytes)}"
        + (f", sensors: {', '.join(frame.name for frame in plan.sensor_frames)}" if plan.sensor_frames else "")
    )
    return _wrapped(text)


def _line(line: Line, numbers: dict[str, int], every_note: bool) -> list[str]:
    marks = ",".join(map(str, sorted(numbers.setdefault(source, len(numbers) + 1) for source in line.sources)))
    word = line.verdict.value if line.verdict else ""
    rows = [_row(line.what, line.shown, line.limit_shown, line.margin_shown, word, marks)]
    if every_note or _speaks(line):
        indent = " " * _INDENT
        rows += _wrapped(line.note, indent, indent)
    return rows


def _speaks(line: Line) -> bool:
    """Whether a line asks to be read: it is tight, or worse, or cannot be told."""
    return line.verdict not in (None, Verdict.GOOD)


def _row(what: str, shown: str, limit: str, margin: str, verdict: str, source: str) -> str:
    text = what
    for cell, end in ((shown, _SHOWN_END), (limit, _LIMIT_END), (margin, _MARGIN_END)):
        # A cell that is too long takes from the next one's white space.
        text += " " + cell.rjust(end - len(text) - 1)
    text += "  " + verdict.ljust(_VERDICT_END - len(text) - 2)
    return (text + " " + source.rjust(WIDTH - len(text) - 1)).rstrip()


def _foot(budget: Budget) -> list[str]:
    words = {
        Verdict.GOOD: "good: every line keeps its limit",
        Verdict.TIGHT: "will do, but look at what is tight",
        Verdict.WILL_NOT_DO: "will not do",
    }
    counts = ", ".join(
        f"{len(lines)} {verdict.value}" for verdict in Verdict if (lines := budget.with_verdict(verdict))
    )
    failed = "; ".join(line.what for line in budget.with_verdict(Verdict.WILL_NOT_DO))
    text = f"{words[budget.verdict]}{f' ({failed})' if failed else ''}. Lines: {counts}. Worked out, not measured."
    return _wrapped(text)


def _wrapped(text: str, first_indent: str = "", indent: str = "") -> list[str]:
    return wrap(
        text, WIDTH, initial_indent=first_indent, subsequent_indent=indent, break_long_words=False,
        break_on_hyphens=False,
    )  # fmt: skip


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 2**30:g} GiB" if size_bytes >= 2**30 else f"{size_bytes / 2**20:g} MiB"
