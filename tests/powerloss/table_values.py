"""Values of a campaign's tables that :mod:`offtake.spec.table` does not read: numbers, ranges, lists, truth values."""

from __future__ import annotations

import math

from offtake.errors import SpecError
from offtake.spec.table import Table


def number(table: Table, key: str, low: float, high: float, default: float | None = None) -> float:
    """The finite number at ``key``, from ``low`` to ``high``. SpecError: it is none, or missing without a default."""
    where, expected = table.at(key), f"a number from {low:g} to {high:g}"
    value = table.any_of(key)
    if value is None and default is not None:
        return default
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        what = "missing" if value is None else f"{value!r} is not a number"
        raise SpecError(what, where=where, expected=expected)
    if not low <= value <= high:
        raise SpecError(f"{value} is out of range", where=where, expected=expected)
    return float(value)


def pair(table: Table, key: str, low: float, high: float) -> tuple[float, float]:
    """The range ``[lowest, highest]`` at ``key``. SpecError: it is none."""
    values = table.any_of(key)
    fine = isinstance(values, list) and len(values) == 2 and all(type(v) in (int, float) for v in values)
    if not fine or not low <= values[0] <= values[1] <= high:
        expected = f"[lowest, highest] between {low:g} and {high:g}"
        raise SpecError(f"{values!r} is no such range", where=table.at(key), expected=expected)
    return float(values[0]), float(values[1])


def block_numbers(table: Table, key: str) -> tuple[int, ...]:
    """The block numbers at ``key``, single or as ``[first, last]``; none where it is absent. SpecError: bad list."""
    values = table.any_of(key)
    found: list[int] = []
    for value in [] if values is None else values if isinstance(values, list) else [None]:
        first, last = value if isinstance(value, list) and len(value) == 2 else (value, value)
        if type(first) is not int or type(last) is not int or first < 1 or last < 1:
            expected = "a list of block numbers, or of [first, last]"
            raise SpecError(f"{values!r} is no such list", where=table.at(key), expected=expected)
        found.extend(range(first, last + 1))
    return tuple(found)


def flag(table: Table, key: str) -> bool:
    """The truth value at ``key``; False where it is absent. SpecError: it is none."""
    value = table.any_of(key)
    if value is not None and not isinstance(value, bool):
        raise SpecError(f"{value!r} is not a truth value", where=table.at(key), expected="true or false")
    return bool(value)
