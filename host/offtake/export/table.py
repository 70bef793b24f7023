"""Tables as comma-separated values (RFC 4180): the epochs, and the gaps, glitches and events."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

from offtake.export.aside import write_aside
from offtake.export.columns import EVENT_COLUMNS, FIX_COLUMNS, Column, Row, Value, event_rows, fix_rows
from offtake.export.inputs import ExportInput
from offtake.export.values import ExportCounts, decimal_text, iso_utc
from offtake.track.segments import GAP_S

# Spreadsheets take a text that begins so for a formula.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_csv(inputs: ExportInput, path: Path, *, gap_s: float = GAP_S, replace: bool = False) -> ExportCounts:
    """Write every epoch, those without a position too; an empty cell means absent, 1 and 0 yes and no.

    The header names each column with its unit. An epoch without UTC has an empty ``utc``. ``gap_s`` only decides the
    segments that are counted, in runs without an analysis. Raises as :func:`offtake.export.aside.write_aside` does, and
    :class:`~offtake.errors.DamageError` for a position out of range or a value that is not finite.
    """
    segments = [len(part) for track in inputs.tracks for part in inputs.segments(track, gap_s)]
    _write(fix_rows(inputs), FIX_COLUMNS, path, replace)
    return ExportCounts(sum(segments), len(segments), 0)


def write_events_csv(inputs: ExportInput, path: Path, *, replace: bool = False) -> ExportCounts:
    """Write every gap, glitch and event with its evidence, as :func:`write_csv` writes epochs."""
    rows = event_rows(inputs)
    _write(rows, EVENT_COLUMNS, path, replace)
    return ExportCounts(0, 0, 0, marks=len(rows))


def _write(rows: Iterable[Row], columns: Sequence[Column[Row]], path: Path, replace: bool) -> None:
    with write_aside(path, replace=replace) as handle:
        text = io.TextIOWrapper(handle, encoding="utf-8", newline="")
        writer = csv.writer(text, lineterminator="\r\n")
        writer.writerow([column.name for column in columns])
        for row in rows:
            writer.writerow([_cell(column.value(row)) for column in columns])
        text.detach()


def _cell(value: Value) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return iso_utc(value)
    if isinstance(value, float):
        return decimal_text(value)
    if isinstance(value, str):
        return text_cell(value)
    return str(int(value))


def text_cell(text: str) -> str:
    """A text as a cell that no spreadsheet takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text
