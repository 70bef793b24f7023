"""Statistics against SciPy and worked examples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from offtake.track.figures import circular_mean, climb_and_descent, scatter, spread
from offtake.track.geodesy import plane
from scipy import stats  # type: ignore[import-untyped]

FINITE = st.floats(-1e6, 1e6)


@given(arrays(np.float64, st.integers(1, 200), elements=FINITE))
def test_spread_as_scipy_describes_it(values: np.ndarray) -> None:
    found = spread(values)
    assert found is not None
    assert (found.count, found.least, found.greatest) == (len(values), values.min(), values.max())
    assert found.mean == pytest.approx(float(stats.tmean(values)), abs=1e-6)
    median, p95 = stats.mstats.mquantiles(values, [0.5, 0.95], alphap=1, betap=1)
    assert (found.median, found.p95) == (pytest.approx(median, abs=1e-6), pytest.approx(p95, abs=1e-6))


def test_spread_leaves_out_what_is_not_known() -> None:
    assert spread(np.array([math.nan])) is None
    assert spread(np.array([])) is None
    found = spread(np.array([math.nan, 3.0, 1.0]))
    assert found is not None
    assert (found.count, found.least, found.median, found.greatest) == (2, 1.0, 2.0, 3.0)


@given(arrays(np.float64, st.integers(1, 100), elements=st.floats(0, 360)))
def test_circular_mean_as_scipy_finds_it(degrees: np.ndarray) -> None:
    mean, resultant = circular_mean(degrees)
    assert resultant == pytest.approx(1 - stats.circvar(degrees, high=360), abs=1e-9)
    if mean is not None and resultant is not None and resultant > 1e-6:
        expected = stats.circmean(degrees, high=360)
        assert (mean - expected + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
        assert 0 <= mean < 360


def test_directions_that_cancel_out_have_no_mean() -> None:
    assert circular_mean(np.array([])) == (None, None)
    mean, resultant = circular_mean(np.array([0.0, 90.0, 180.0, 270.0]))
    assert mean is None
    assert resultant == pytest.approx(0, abs=1e-12)
    assert circular_mean(np.array([350.0, 10.0, math.nan]))[0] == pytest.approx(0, abs=1e-9)
    # Rounding must not make a whole turn of nothing.
    mean, _ = circular_mean(np.array([-1e-15, 0.0]))
    assert mean == 0.0


def test_scatter_agrees_with_scipy() -> None:
    random = np.random.default_rng(4)
    latitude, longitude = 51.0 + random.normal(0, 1e-5, 500), 3.0 + random.normal(0, 3e-5, 500)
    seconds = np.arange(500.0)
    found = scatter(latitude, longitude, seconds)
    east, north = plane(latitude, longitude, (latitude.mean(), longitude.mean()))
    covariance = np.cov(np.array([east, north]))
    assert (found.variance_east_m2, found.variance_north_m2, found.covariance_m2) == pytest.approx(
        (covariance[0, 0], covariance[1, 1], covariance[0, 1]), rel=1e-9
    )
    assert found.variance_east_m2 == pytest.approx(stats.tvar(east), rel=1e-9)
    radii = np.hypot(east - east.mean(), north - north.mean())
    cep50, r95 = stats.mstats.mquantiles(radii, [0.5, 0.95], alphap=1, betap=1)
    assert (found.cep50_m, found.r95_m) == (pytest.approx(cep50, rel=1e-6), pytest.approx(r95, rel=1e-6))
    assert found.drms_m == pytest.approx(math.sqrt(stats.tvar(east) + stats.tvar(north)), rel=1e-9)
    assert found.two_drms_m == 2 * found.drms_m
    assert found.drift_east_m_h == pytest.approx(stats.linregress(seconds, east).slope * 3600, rel=1e-6)
    assert found.drift_north_m_h == pytest.approx(stats.linregress(seconds, north).slope * 3600, rel=1e-6)
    assert (found.latitude_deg, found.longitude_deg) == pytest.approx((latitude.mean(), longitude.mean()), abs=1e-12)
    assert found.fixes == 500


def test_drift_of_a_known_line_and_of_no_time() -> None:
    # 1e-7 degrees of latitude a second at the equator are 0.0110574 m; 39.8067 m in an hour (radius of the meridian).
    found = scatter(1e-7 * np.arange(100.0), np.zeros(100), np.arange(100.0))
    assert found.drift_north_m_h == pytest.approx(39.8067, abs=0.001)
    assert found.drift_east_m_h == pytest.approx(0, abs=1e-9)
    assert scatter(np.zeros(2), np.zeros(2), np.zeros(2)).drift_north_m_h == 0.0


@pytest.mark.parametrize(
    ("heights", "climb", "descent"),
    [
        ([], None, None),
        ([7.0], 0.0, 0.0),
        ([0, 4, 0, 4, 1], 0.0, 0.0),
        ([0, 3, 6, 9], 9.0, 0.0),
        ([0, 10, 7, 12, 0], 12.0, 12.0),
        ([0, 10, 2, 12], 20.0, 8.0),
        ([10, 0, 3, 0, 20], 20.0, 10.0),
        ([5, 4, 3, -2, 3.5], 5.5, 7.0),
    ],
)
def test_climb_with_a_band_of_five_metres(heights: list[float], climb: float | None, descent: float | None) -> None:
    assert climb_and_descent(np.array(heights, dtype=np.float64), 5.0) == (climb, descent)


@given(arrays(np.float64, st.integers(1, 60), elements=st.floats(-500, 500)))
def test_climb_less_descent_is_the_difference_within_the_band(heights: np.ndarray) -> None:
    climb, descent = climb_and_descent(heights, 5.0)
    assert climb is not None
    assert descent is not None
    assert climb >= 0 <= descent
    assert abs((climb - descent) - (heights[-1] - heights[0])) <= 10.0 + 1e-6


def test_noise_within_the_band_climbs_nothing() -> None:
    random = np.random.default_rng(3)
    assert climb_and_descent(random.uniform(-2.4, 2.4, 10_000), 5.0) == (0.0, 0.0)
