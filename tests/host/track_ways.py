"""Small hand-made tracks for the tests of their analysis."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis
from offtake.track.fix import Fix, Track

DEGREE_M = 111_319.49079327358
NOON_US = 43_200_000_000


def fix(second: float, east_m: float = 0.0, north_m: float = 0.0, **values: Any) -> Fix:
    """A fix near 0 N, 0 E, at ``second`` by the ticks and the receiver."""
    usual: dict[str, Any] = {
        "run": 1,
        "tick_us": round(second * 1e6),
        "time_of_day_us": NOON_US + round(second * 1e6),
        "latitude_deg": north_m / 110_574.2758,
        "longitude_deg": east_m / DEGREE_M,
        "fix_quality": "autonomous",
    }
    return Fix(**(usual | values))


def straight(count: int, speed_m_s: float = 10.0, *, interval_s: float = 1.0, told: bool = True) -> list[Fix]:
    """Due east at a steady speed, with a receiver's centimetres of noise."""
    random = np.random.default_rng(11)
    report: dict[str, Any] = {"speed_m_s": speed_m_s, "course_deg": 90.0} if told else {}
    return [
        fix(n * interval_s, speed_m_s * n * interval_s + random.normal(0, 0.05), random.normal(0, 0.05), **report)
        for n in range(count)
    ]


def changed(fixes: list[Fix], places: range, change: Callable[[Fix], dict[str, Any]]) -> list[Fix]:
    """The fixes with those at ``places`` changed."""
    return [dataclasses.replace(one, **change(one)) if number in places else one for number, one in enumerate(fixes)]


def aside(metres: float) -> Callable[[Fix], dict[str, Any]]:
    """Moves a position north."""

    def change(one: Fix) -> dict[str, Any]:
        assert one.latitude_deg is not None
        return {"latitude_deg": one.latitude_deg + metres / 110_574.2758}

    return change


def analysed(fixes: list[Fix], **options: Any) -> Analysis:
    """The analysis of a run of ``fixes``, checked to hold finite figures only."""
    found = analyse(Track(1, tuple(fixes)), **options)
    assert_finite(dataclasses.asdict(found))
    return found


def assert_finite(value: object) -> None:
    """No nan and no infinity anywhere in nested figures."""
    if isinstance(value, float):
        assert math.isfinite(value)
    elif isinstance(value, dict):
        for one in value.values():
            assert_finite(one)
    elif isinstance(value, (list, tuple)):
        for one in value:
            assert_finite(one)
