"""Means of slow series: how well they are known is neither flattered nor made up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from offtake.compare.series import binned, block_length, correlation, lag_one, mean_of, spread_of_mean
from scipy import signal, stats

Floats = NDArray[np.float64]


def slow(random: np.random.Generator, count: int, tau: float) -> Floats:
    """AR(1) of mean 0 and variance 1, from its stationary state on."""
    phi = math.exp(-1.0 / tau)
    start = random.normal()
    fresh = random.normal(size=count) * math.sqrt(1 - phi**2)
    made, _ = signal.lfilter([1.0], [1.0, -phi], fresh, zi=[phi * start])
    return np.asarray(made, np.float64)


@pytest.mark.parametrize(("seconds", "tau"), [(600, 5.0), (600, 30.0), (600, 100.0), (3600, 100.0)])
def test_intervals_cover_the_truth_as_often_as_they_say(seconds: int, tau: float) -> None:
    random = np.random.default_rng(5)
    time_s = np.arange(seconds, dtype=np.float64)
    covered = naive = 0
    for _ in range(150):
        values = slow(random, seconds, tau) + 0.3 * random.normal(size=seconds)
        found = mean_of(time_s, values, random)
        assert found is not None
        covered += abs(found.value) < stats.t.ppf(0.975, found.df) * found.se
        naive += abs(found.value) < 1.96 * values.std() / math.sqrt(seconds)
    assert covered / 150 >= 0.87
    # What neighbours have in common is what makes the difference.
    assert naive / 150 < 0.65


def test_of_independent_values_it_is_what_the_plain_bootstrap_says() -> None:
    random = np.random.default_rng(2)
    values = random.gamma(2.0, 3.0, 500)
    found = mean_of(np.arange(500.0), values, random)
    assert found is not None
    plain = stats.bootstrap((values,), np.mean, n_resamples=2000, rng=random, method="percentile")
    assert found.se == pytest.approx(plain.standard_error, rel=0.12)
    assert found.effective > 350


def test_correlation_is_put_right_for_short_series() -> None:
    random = np.random.default_rng(3)
    phi = math.exp(-1 / 8)
    found = [lag_one(slow(random, 60, 8.0)) for _ in range(200)]
    assert np.mean(found) == pytest.approx(phi, abs=0.04)


def test_a_slow_change_below_a_fast_noise_is_seen() -> None:
    random = np.random.default_rng(4)
    values = slow(random, 2000, 40.0) + 2.0 * random.normal(size=2000)
    assert lag_one(values) < 0.4
    assert correlation(values) > 0.85


def test_block_length_of_a_worked_case() -> None:
    # (sqrt(6) * 0.5 / 0.75)^(2/3) * 1000^(1/3) = 13.87, by hand
    assert block_length(0.5, 1000) == 14
    assert block_length(0.0, 1000) == 1
    assert block_length(0.99, 40) == 10


def test_few_values_have_no_mean_that_is_known() -> None:
    random = np.random.default_rng(1)
    assert mean_of(np.arange(7.0), np.ones(7), random) is None
    assert mean_of(np.arange(50.0), np.full(50, np.nan), random) is None
    assert mean_of(np.empty(0), np.empty(0), random) is None
    assert spread_of_mean(np.arange(5.0), np.arange(5.0)) == 0.0


def test_what_never_changes_is_known() -> None:
    found = mean_of(np.arange(100.0), np.full(100, 7.25), np.random.default_rng(1))
    assert found is not None
    assert found.value == 7.25
    assert found.se == pytest.approx(0.0, abs=1e-12)


def test_long_recordings_are_made_shorter_first() -> None:
    pieces, width = binned(np.arange(36_000.0), np.arange(36_000.0))
    assert len(pieces) <= 601
    assert width == pytest.approx(60.0, rel=0.01)
    assert pieces.mean() == pytest.approx(18_000, rel=0.01)


def test_times_far_apart_do_not_take_memory() -> None:
    found = mean_of(np.array([*range(20), 1e15]), np.arange(21.0), np.random.default_rng(1))
    assert found is None
