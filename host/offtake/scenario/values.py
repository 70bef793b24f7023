"""Values of a scenario's tables that are more than TOML's own types."""

from __future__ import annotations

import datetime as dt
import math
from itertools import pairwise
from typing import Any

from offtake.errors import SpecError
from offtake.spec.table import Table

POINTS_MAX = 10_000


def number(table: Table, key: str, low: float, high: float) -> float:
    """The number at ``key``. SpecError when it is missing, no number or out of range."""
    where, expected = table.at(key), f"a number from {low:g} to {high:g}"
    value = table.any_of(key)
    if value is None:
        raise SpecError("missing", where=where, expected=expected)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SpecError(f"{value!r} is not a number", where=where, expected=expected)
    if not low <= value <= high:
        raise SpecError(f"{value} is out of range", where=where, expected=expected)
    return float(value)


def flag(table: Table, key: str) -> bool:
    """The truth value at ``key``. SpecError when it is none."""
    value = table.any_of(key)
    if not isinstance(value, bool):
        raise SpecError(f"{value!r} is not a truth value", where=table.at(key), expected="true or false")
    return value


def moment(table: Table, key: str) -> dt.datetime:
    """The date and time at ``key``, in UTC. SpecError when it is none, or has no offset."""
    value = table.any_of(key)
    if not isinstance(value, dt.datetime) or value.tzinfo is None:
        expected = "a date and time with its offset, such as 2024-05-17T09:12:30Z"
        raise SpecError(f"{value!r} is no such moment", where=table.at(key), expected=expected)
    return value.astimezone(dt.UTC)


def points(table: Table, key: str, names: str, limits: tuple[tuple[float, float], ...]) -> list[tuple[float, ...]]:
    """The list at ``key`` of lists of numbers, one for each of ``limits`` (lowest, highest), the first one rising.

    :param names: what they are, for messages: ``[s, mV]``.
    :raises SpecError: it is missing, empty, too long, out of range or not in the order of time.
    """
    where = table.at(key)
    expected = f"a list of {names}, each from {', '.join(f'{low:g} to {high:g}' for low, high in limits)}"
    given = table.any_of(key)
    if not isinstance(given, list) or not 1 <= len(given) <= POINTS_MAX:
        raise SpecError("no list of points" if given else "missing", where=where, expected=expected)
    found = [_point(item, index, where, expected, limits) for index, item in enumerate(given)]
    for index, (before, after) in enumerate(pairwise(found)):
        if after[0] <= before[0]:
            expected = "each point after the one before it"
            raise SpecError(f"point {index + 1} is not later", where=where, expected=expected)
    return found


def _point(
    item: Any, index: int, where: str, expected: str, limits: tuple[tuple[float, float], ...]
) -> tuple[float, ...]:
    numbers = isinstance(item, list) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in item)
    if not numbers or len(item) != len(limits):
        raise SpecError(f"point {index}: {item!r}", where=where, expected=expected)
    if not all(low <= value <= high for value, (low, high) in zip(item, limits, strict=True)):
        raise SpecError(f"point {index}: {item!r} is out of range", where=where, expected=expected)
    return tuple(float(value) for value in item)
