"""A run's ticks on UTC."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stamp:
    """A moment in UTC and how far it may be off, in seconds (95 %)."""

    utc: dt.datetime
    uncertainty_s: float


@dataclass(frozen=True)
class TimeLine:
    """How one run's ticks lie on UTC. Placeholder shape; see the module's doc."""

    notes: tuple[str, ...] = ()


def dates(marks: Sequence[object]) -> None:
    """Nothing yet."""
