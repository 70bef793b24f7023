"""limits.toml: what the benchmarks may show, read strictly, and which of it is crossed."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from pathlib import Path
from typing import Any

from offtake.errors import InputOutputError, SpecError

LIMITS_FILE = Path(__file__).with_name("limits.toml")
AT_MOST = ("growth", "peak_mib")
"""Keys, or beginnings of keys, of figures that are good when small; the others are good when large."""


@dataclass(frozen=True)
class BenchLimits:
    """``targets`` are aimed at and shown, ``limits`` may not be crossed. Keys are names of rows."""

    targets: dict[str, float]
    limits: dict[str, float]


def load_bench_limits(names: Sequence[str], path: Path = LIMITS_FILE) -> BenchLimits:
    """The two tables; ``names`` are the rows that there are.

    :raises InputOutputError: the file cannot be read.
    :raises SpecError: not TOML, other tables, a key that is no row's name, or a value that is not a number above 0.
    """
    try:
        top = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputOutputError(f"cannot read the limits: {error.strerror}", where=str(path)) from error
    except ValueError as error:
        raise SpecError(f"not TOML: {error}", where=str(path)) from error
    if set(top) != {"targets", "limits"}:
        told = ", ".join(map(repr, top)) or "nothing"
        raise SpecError(f"the keys {told}", where=str(path), expected="the tables limits, targets")
    return BenchLimits(*(_numbers(top[key], f"{path}: {key}", names) for key in ("targets", "limits")))


def _numbers(table: Any, where: str, names: Sequence[str]) -> dict[str, float]:
    if not isinstance(table, dict):
        raise SpecError("not a table", where=where, expected="names of rows with a number each")
    for name, value in table.items():
        if name not in names:
            raise SpecError(f"unknown key {name!r}", where=where, expected="one of " + ", ".join(sorted(names)))
        if isinstance(value, bool) or not isinstance(value, int | float) or not 0 < value < inf:
            raise SpecError(f"{value!r}", where=f"{where}.{name}", expected="a number above 0")
    return dict(table)


def is_at_most(name: str) -> bool:
    """Whether the row's figure is good when it is small."""
    return name.startswith(AT_MOST)


def crossed(figures: dict[str, float], limits: BenchLimits) -> list[str]:
    """One sentence for each limit that is crossed; what was not measured is not judged."""
    told = []
    for name, limit in limits.limits.items():
        value = figures.get(name)
        if value is not None and (value > limit if is_at_most(name) else value < limit):
            told.append(f"{name}: {value:.3g}, at {'most' if is_at_most(name) else 'least'} {limit:g} wanted")
    return told


def reached(figures: dict[str, float], limits: BenchLimits) -> tuple[int, int]:
    """How many of the targets that were measured are reached, and how many were measured."""
    judged = [(name, figures[name], aim) for name, aim in limits.targets.items() if name in figures]
    return sum(value <= aim if is_at_most(name) else value >= aim for name, value, aim in judged), len(judged)
