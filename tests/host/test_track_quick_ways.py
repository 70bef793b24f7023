"""Ways to go through many values together give what going one by one gives."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from offtake.track.figures import climb_and_descent
from offtake.track.limits import Limits
from offtake.track.motion import _by_speed
from offtake.track.timeline import seconds
from offtake.track.timeline.envelope import FEW, _edges, rank_of
from offtake.track.timeline.seconds import _levels, whole_seconds_off
from offtake.track.timeline.smooth import smoothed

Floats = NDArray[np.float64]


def levels_one_by_one(values: Floats, may_drift: Floats) -> list[int]:
    out = [0] * len(values)
    level, base = 0, float(values[0])
    elsewhere: list[int] = []
    for index, limit in enumerate(may_drift.tolist(), start=1):
        away = float(values[index]) - base
        whole = round(away)
        if abs(away) <= limit or whole == 0:
            base += away if away > 0 or limit > 1.0 else 0.02 * away
            out[index] = level
            elsewhere.clear()
            continue
        if elsewhere and abs(values[index] - values[elsewhere[-1]]) > 0.3:
            elsewhere.clear()
        elsewhere.append(index)
        out[index] = level + whole
        if len(elsewhere) == FEW:
            level += whole
            base = float(values[elsewhere].max())
            for one in elsewhere:
                out[one] = level
            elsewhere.clear()
    return out


@pytest.mark.parametrize("seed", range(60))
def test_levels_of_calm_stretches(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(seed)
    monkeypatch.setattr(seconds, "_BLOCK", int(random.choice((4, 64, 256))))
    count = 3000
    values = np.cumsum(random.normal(0, random.choice((1e-4, 3e-3)), count)) - random.exponential(0.02, count)
    for _ in range(random.integers(0, 6)):
        at, step = random.integers(0, count), random.choice((-2.0, -1.0, 1.0, 3.0, 0.4))
        values[at : at + random.choice((1, 5, 9, 400))] += step
    may_drift = np.full(count - 1, 0.402)
    may_drift[random.random(count - 1) < 0.002] = random.choice((0.9, 1.5, 8.0))
    assert _levels(values, may_drift).tolist() == levels_one_by_one(values, may_drift)


@pytest.mark.parametrize("seed", range(20))
def test_values_in_a_calm_run_are_not_held_against_a_median(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    random = np.random.default_rng(seed)
    x = np.arange(900.0)
    late = random.exponential(0.05, 900) + np.where(random.random(900) < 0.02, random.uniform(0, 0.9, 900), 0.0)
    y, trusted = x - late, np.ones(900, dtype=np.bool_)
    quick = whole_seconds_off(x, y, trusted)
    monkeypatch.setattr(seconds, "_calm", lambda _values, _good: False)
    assert whole_seconds_off(x, y, trusted).tolist() == quick.tolist()


@pytest.mark.parametrize("count", [1, 4, 5, 6, 8, 9, 10, 300])
def test_the_bend_is_that_of_fitted_quadratics(count: int) -> None:
    random = np.random.default_rng(count)
    x = np.cumsum(random.exponential(20.0, count) + 0.01)
    y = np.sin(x / 200) * 1e-2 + random.normal(0, 1e-4, count)
    expected = y.copy()
    if count >= 5:
        for index in range(count):
            low = max(0, min(index - 4, count - 9))
            part = slice(low, min(count, low + 9))
            expected[index] = np.polynomial.polynomial.polyfit(x[part] - x[index], y[part], 2)[0]
    assert np.allclose(smoothed(x, y), expected, rtol=0, atol=1e-13)


def test_the_bend_where_points_nearly_coincide() -> None:
    x = np.array([0.0, 1e-9, 2e-9, 3e-9, 4e-9, 5e-9, 6e-9, 7e-9, 1e4, 2e4])
    assert np.isfinite(smoothed(x, np.arange(10.0) / 1000)).all()


@pytest.mark.parametrize("seed", range(20))
def test_edges_lie_on_the_marks_and_none_is_above(seed: int) -> None:
    random = np.random.default_rng(seed)
    x = np.sort(random.uniform(-50, 50, (40, 60)), axis=1)
    y = -random.exponential(0.01, (40, 60)) + 0.001 * x
    y[:3] = np.round(y[:3], 2)
    height, slope = _edges(x, y)
    above = y - height[:, None] - slope[:, None] * x
    assert above.max() <= 1e-9
    # It touches marks on both sides of the mean, so it is the edge there and no line above all.
    touched = np.abs(above) <= 1e-9
    left = x <= x.mean(axis=1)[:, None]
    assert ((touched & left).any(axis=1) & (touched & ~left).any(axis=1)).all()
    flat, level = _edges(np.zeros((2, 5)), np.arange(10.0).reshape(2, 5))
    assert (flat.tolist(), level.tolist()) == ([4.0, 9.0], [0.0, 0.0])


def test_ranks_of_pieces_of_any_length() -> None:
    y = np.random.default_rng(3).normal(size=500)
    pieces = [(0, 20), (20, 40), (40, 71), (71, 91), (91, 500)]
    ranks = [int((end - start) * 0.25) + 1 for start, end in pieces]
    expected = [np.sort(y[a:b])[-n] for (a, b), n in zip(pieces, ranks, strict=True)]
    assert rank_of(y, pieces, 0.25).tolist() == expected


def climb_one_by_one(heights: list[float], band_m: float) -> tuple[float, float]:
    climb = descent = 0.0
    low = high = extreme = heights[0]
    direction = 0
    for height in heights:
        if direction == 0:
            low, high = min(low, height), max(high, height)
            if high - low > band_m:
                direction, extreme = (1, high) if height == high else (-1, low)
                climb += (high - low) if direction > 0 else 0.0
                descent += (high - low) if direction < 0 else 0.0
        elif (height - extreme) * direction > 0:
            climb += max(0.0, height - extreme)
            descent += max(0.0, extreme - height)
            extreme = height
        elif (extreme - height) * direction > band_m:
            climb += max(0.0, height - extreme)
            descent += max(0.0, extreme - height)
            direction, extreme = -direction, height
    return climb, descent


@pytest.mark.parametrize("seed", range(100))
def test_climb_by_blocks_is_climb_height_by_height(seed: int) -> None:
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 900))
    heights = np.cumsum(random.normal(0, random.choice((0.1, 1.0, 3.0)), count))
    heights += random.normal(0, random.choice((0.01, 2.0, 5.0)), count)
    band = float(random.choice((1.0, 2.5, 5.0)))
    assert climb_and_descent(heights, band) == pytest.approx(climb_one_by_one(heights.tolist(), band), abs=1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_motion_begins_and_ends_at_its_two_limits(seed: int) -> None:
    random = np.random.default_rng(seed)
    speed = np.abs(random.normal(0.5, 0.2, 400)) if seed % 2 else np.repeat(random.uniform(0, 1, 50), 8)
    limits = Limits()
    expected, moving, first = [], bool(speed[0] > limits.moving_m_s), 0
    for at, value in enumerate(speed.tolist()):
        now = value > (limits.still_m_s if moving else limits.moving_m_s)
        if now != moving:
            expected.append((first, at - 1, moving))
            first, moving = at, now
    expected.append((first, len(speed) - 1, moving))
    assert _by_speed(speed, limits) == expected
