"""How results are shown: aligned plain text within 80 columns, or one JSON object; progress on a terminal only."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from textwrap import wrap
from typing import Any

from offtake.cli.bar import Bar
from offtake.export.values import clean_label, iso_utc
from offtake.journal.runs import RunInfo
from offtake.progress import QUIET, Watch

WIDTH = 80
RUNS_SHOWN = 40
NOTES_SHOWN = 20
# A space at which no line is broken.
_UNBROKEN = "\u00a0"
# A message that nobody knows.
_MESSAGE = re.compile(r"\Aunknown_(\d+)\Z")


def error_text(text: str, on_terminal: bool) -> str:
    """An error as it is shown: within 80 columns to a person, on one line to a program. What it quotes out of a file
    moves no terminal's cursor."""
    text = "".join(one if one.isprintable() or one == "\n" else " " if one == "\t" else "?" for one in text)
    if not on_terminal:
        return text
    lines = (wrap(line, WIDTH, subsequent_indent="  ", break_long_words=False) or [""] for line in text.splitlines())
    return "\n".join(part for parts in lines for part in parts)


def emit_json(verb: str, values: dict[str, Any]) -> None:
    """Prints one object whose ``schema`` is ``offtake.<verb>/1``."""
    print(json.dumps({"schema": f"offtake.{verb}/1", **plain(values)}, indent=2, ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """``value`` in JSON's own types: records become objects, enumerations their names in small letters."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Enum):
        return (value.name or str(value.value)).lower()
    if isinstance(value, dt.datetime):
        return iso_utc(value)
    if isinstance(value, Path):
        return str(value)
    return value.hex() if isinstance(value, bytes) else value


def id_text(journal_id: int | None) -> str:
    """A journal id as people read it."""
    return "unknown" if journal_id is None else f"{journal_id:08x}"


def label_text(label: str) -> str:
    """A label out of a log, harmless on a terminal."""
    return clean_label(label) or "-"


def facts(pairs: Sequence[tuple[str, object]]) -> None:
    """Prints names and values in two columns."""
    width = max((len(name) for name, _ in pairs), default=0)
    for name, value in pairs:
        paragraph(f"{name:<{width}}  {value}", indent=width + 2)


def frames_by_run(runs: Sequence[RunInfo], notes: Sequence[str]) -> None:
    """Prints of each run how many frames of each message it has, what its sensors lost, and the ``notes``."""
    print()
    print("frames of each message")
    width = max((len(str(run.run)) for run in runs), default=1)
    for run in runs[:RUNS_SHOWN]:
        named = ((_MESSAGE.sub(r"message \1", name), count) for name, count in run.frames_by_message.items())
        words = ", ".join(f"{count:,} {label_text(name)}".replace(" ", _UNBROKEN) for name, count in named) or "none"
        lost = sensors_lost(run.sensor_frames_lost, run.sensor_silent)
        more = f"; of its sensors {lost}" if lost else ""
        paragraph(f"run {run.run:>{width}}  {words}{more}", indent=width + 6)
    if len(runs) > RUNS_SHOWN:
        print(f"and {len(runs) - RUNS_SHOWN:,} runs more (--json lists them)")
    for note in notes[:NOTES_SHOWN]:
        paragraph(f"note: {label_text(note)}")
    if len(notes) > NOTES_SHOWN:
        print(f"and {len(notes) - NOTES_SHOWN:,} notes more (--json lists them)")


def sensors_lost(frames: int, silent: int) -> str:
    """What sensors lost, in words; empty where that is nothing."""
    parts = [
        f"{count:,} {what if count == 1 else f'{what}s'} {how}"
        for count, what, how in ((frames, "frame", "found no room"), (silent, "reading", "got no answer"))
        if count
    ]
    return " and ".join(parts)


def paragraph(text: str, indent: int = 2) -> None:
    """Prints a line, broken where it does not fit; what follows is indented. Paths and such stay whole."""
    lines = wrap(text, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
    print(("\n".join(lines) or text).replace(_UNBROKEN, " "))


def table(heads: Sequence[str], rows: Sequence[Sequence[object]]) -> None:
    """Prints rows under heads; columns whose values are all numbers stand to the right."""
    texts = [[_cell(value) for value in row] for row in rows]
    right = [all(isinstance(row[i], int | float) for row in rows) for i in range(len(heads))]
    widths = [max([len(heads[i]), *(len(row[i]) for row in texts)]) for i in range(len(heads))]
    for row in [list(heads), *texts]:
        cells = [text.rjust(w) if r else text.ljust(w) for text, w, r in zip(row, widths, right, strict=True)]
        print("  ".join(cells).rstrip())


def _cell(value: object) -> str:
    return f"{value:,}" if isinstance(value, int) else str(value)


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None] | None]:
    """A bar on stderr, or None where that is no terminal."""
    with watching(what) as watch:
        yield None if watch is QUIET else lambda done, total: watch.at(done, total)


@contextmanager
def watching(what: str) -> Iterator[Watch]:
    """Looks at how far a job has come: a bar on stderr for each of its phases; nothing where that is no terminal."""
    if not sys.stderr.isatty():
        yield QUIET
        return
    bar = Bar(what, sys.stderr)
    try:
        yield Watch(bar.show)
    finally:
        bar.clear()
