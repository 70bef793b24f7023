"""Arrow columns as the text of comma-separated values (RFC 4180), whole columns at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from offtake.arrow import of_flags, of_texts
from offtake.errors import DamageError
from offtake.export.values import decimal_text

# So many cells become text at once: memory is bounded, and no text array comes near the 2 GiB that it can hold.
_CELLS_AT_ONCE = 2**17
_LINE_END = "\r\n"
_EMPTY, _COMMA, _END, _Z, _APOSTROPHE, _QUOTE = of_texts(["", ",", _LINE_END, "Z", "'", '"'])
_NO = of_flags(np.zeros(1, np.bool_))[0]
# Spreadsheets take a text that begins so for a formula.
_FORMULA = r"^[=+\-@\t\r]"
_STRUCTURAL = '[,"\r\n]'


def head_line(names: Sequence[str]) -> bytes:
    """The first line: the columns' names, which need no quotes."""
    return (",".join(names) + _LINE_END).encode()


def csv_pieces(columns: Sequence[pa.Array]) -> Iterator[pa.Buffer]:
    """Yield the lines of ``columns`` (at least one, of the same length), some rows at a time, as UTF-8 text.

    Null is an empty cell; numbers are the shortest decimals that read back the same, never in exponent form; yes and no
    1 and 0; times ISO 8601 with ``Z``, fractions of a second only where there are any. Text that a spreadsheet would
    take for a formula begins with an apostrophe. Raises :class:`~offtake.errors.DamageError` for a number that is not
    finite.
    """
    rows = max(1, _CELLS_AT_ONCE // len(columns))
    for first in range(0, len(columns[0]), rows):
        cells = [_cells(column.slice(first, rows)) for column in columns]
        lines = pc.binary_join_element_wise(*cells, _COMMA, null_handling="replace", null_replacement="")
        lines = pc.binary_join_element_wise(lines, _EMPTY, _END)
        yield _text_of(lines)


def _text_of(lines: pa.Array) -> pa.Buffer:
    """What all strings hold, one after the other, as they lie in memory."""
    _, offsets, text = lines.buffers()
    wide = np.int64 if pa.types.is_large_string(lines.type) else np.int32
    ends = np.frombuffer(offsets, wide)[lines.offset : lines.offset + len(lines) + 1]
    return text.slice(int(ends[0]), int(ends[-1] - ends[0]))


def _cells(column: pa.Array) -> pa.Array:
    kind = column.type
    if pa.types.is_dictionary(kind):
        return _cells(column.dictionary).take(column.indices)
    if pa.types.is_floating(kind):
        return decimal_cells(column)
    if pa.types.is_timestamp(kind):
        return _moments(column)
    if pa.types.is_boolean(kind):
        return column.cast(pa.int8()).cast(pa.string())
    return text_cells(column) if pa.types.is_string(kind) else column.cast(pa.string())


def decimal_cells(numbers: pa.Array) -> pa.Array:
    """Numbers as :func:`offtake.export.values.decimal_text` writes them."""
    if not pc.all(pc.is_finite(numbers), min_count=0).as_py():
        value = pc.filter(numbers, pc.invert(pc.is_finite(numbers)))[0].as_py()
        raise DamageError(f"value {value} is not finite", expected="a finite number")
    texts = numbers.cast(pa.string())
    exponent = pc.fill_null(pc.match_substring(texts, "e"), _NO)
    if not pc.any(exponent, min_count=0).as_py():
        return texts
    # The digits are right, but the smallest and the greatest stand in exponent form.
    written = [decimal_text(value) for value in numbers.filter(exponent).to_pylist()]
    return pc.replace_with_mask(texts, exponent, of_texts(written))


def _moments(times: pa.Array) -> pa.Array:
    """Times in microseconds as ISO 8601 in UTC."""
    texts = times.cast(pa.timestamp("us")).cast(pa.string())
    texts = pc.replace_substring(texts, " ", "T", max_replacements=1)
    return pc.binary_join_element_wise(pc.utf8_rtrim(pc.utf8_rtrim(texts, "0"), "."), _Z, _EMPTY)


def text_cells(texts: pa.Array) -> pa.Array:
    """Texts as cells: an apostrophe before what looks like a formula, quotes where they are needed."""
    formulas = pc.match_substring_regex(texts, _FORMULA)
    if _any(formulas):
        texts = pc.if_else(formulas, pc.binary_join_element_wise(_APOSTROPHE, texts, _EMPTY), texts)
    quoted = pc.match_substring_regex(texts, _STRUCTURAL)
    if _any(quoted):
        doubled = pc.replace_substring(texts, '"', '""')
        texts = pc.if_else(quoted, pc.binary_join_element_wise(_QUOTE, doubled, _QUOTE, _EMPTY), texts)
    return texts


def _any(flags: Any) -> bool:
    return bool(pc.any(flags, min_count=0).as_py())
