"""Arrow columns become the same text, byte for byte, as Python's own csv module makes of each value by itself."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Sequence
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.errors import DamageError
from offtake.export import csv_text
from offtake.export.csv_text import csv_pieces, head_line
from offtake.export.values import decimal_text, iso_utc

SEEDED = settings(derandomize=True, deadline=None, max_examples=150, database=None)
UTC = pa.timestamp("us", "UTC")
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def cell(value: Any) -> str:
    """One value, as a cell."""
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return iso_utc(value)
    if isinstance(value, float):
        return decimal_text(value)
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return str(int(value))


def by_csv_module(columns: Sequence[Sequence[Any]]) -> bytes:
    text = io.StringIO(newline="")
    csv.writer(text, lineterminator="\r\n").writerows(
        [cell(value) for value in row] for row in zip(*columns, strict=True)
    )
    return text.getvalue().encode()


def written(arrays: Sequence[pa.Array]) -> bytes:
    return b"".join(piece.to_pybytes() for piece in csv_pieces(arrays))


def maybe(values: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | values


MOMENTS = st.integers(0, 10**6).map(
    lambda us: dt.datetime(2024, 2, 29, 23, 59, 59, tzinfo=dt.UTC) + us * dt.timedelta(microseconds=1)
)
TEXTS = st.text(st.sampled_from("a=+-@\t\r\n,\"' Ä漕\x00e1.")) | st.text(st.characters(exclude_categories=("Cs",)))
ROWS = st.lists(
    st.tuples(
        maybe(st.integers(-(2**63), 2**63 - 1)),
        maybe(st.floats(allow_nan=False, allow_infinity=False)),
        maybe(st.integers(-(10**12), 10**12).map(lambda whole: whole / 10**7)),
        maybe(TEXTS),
        maybe(TEXTS),
        maybe(st.booleans()),
        maybe(MOMENTS | st.datetimes(timezones=st.just(dt.UTC))),
    ),
    min_size=1,
)


@SEEDED
@given(ROWS, st.sampled_from([1, 7, 2**19]))
def test_the_text_is_the_csv_modules(rows: list[tuple[Any, ...]], at_once: int) -> None:
    columns = list(zip(*rows, strict=True))
    kinds = (
        pa.int64(),
        pa.float64(),
        pa.float64(),
        pa.string(),
        pa.dictionary(pa.int32(), pa.string()),
        pa.bool_(),
        UTC,
    )
    arrays = [pa.array(values, kind) for values, kind in zip(columns, kinds, strict=True)]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(csv_text, "_CELLS_AT_ONCE", at_once)
        assert written(arrays) == by_csv_module(columns)


def test_a_slice_is_written_from_its_first_row_on() -> None:
    array = pa.array(["a", "b,", None, "d"])
    assert written([array.slice(1, 2), pa.array([1.5, 1e-7])]) == b'"b,",1.5\r\n,0.0000001\r\n'


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_numbers_that_are_not_finite_are_refused(value: float) -> None:
    with pytest.raises(DamageError, match="not finite"):
        written([pa.array([1.0, None, value])])


def test_no_rows_are_no_text() -> None:
    assert written([pa.array([], pa.float64()), pa.array([], pa.string())]) == b""
    assert head_line(["run", "tick_us"]) == b"run,tick_us\r\n"
