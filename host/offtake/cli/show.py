"""How results are shown: aligned plain text within 80 columns, or one JSON object; progress on a terminal only."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from textwrap import wrap
from typing import Any

from tqdm import tqdm  # type: ignore[import-untyped]

from offtake.export.values import clean_label, iso_utc

WIDTH = 80


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


def paragraph(text: str, indent: int = 2) -> None:
    """Prints a line, broken where it does not fit; what follows is indented. Paths and such stay whole."""
    lines = wrap(text, WIDTH, subsequent_indent=" " * indent, break_long_words=False, break_on_hyphens=False)
    print("\n".join(lines) or text)


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
    if not sys.stderr.isatty():
        yield None
        return
    with tqdm(desc=what, unit="B", unit_scale=True, unit_divisor=1024, file=sys.stderr, leave=False) as bar:

        def show(done: int, total: int) -> None:
            bar.total = total
            bar.update(done - bar.n)

        yield show
