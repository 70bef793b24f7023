"""Published radii of circular normal scatter that the figures of a stay must come to."""

from __future__ import annotations

import math

import numpy as np
import pytest
from offtake.track.figures import scatter
from scipy import stats  # type: ignore[import-untyped]

# Circular normal: CEP 1.1774 s, DRMS 1.4142 s, R95 2.4477 s, 2DRMS 2.8284 s; 2DRMS/CEP 2.4022 (computed; NRC 1995
# app. D).
CEP50, DRMS, R95, TWO_DRMS, RATIO = 1.1774, 1.4142, 2.4477, 2.8284, 2.4022


def test_the_published_radii_are_those_of_chi_squared() -> None:
    assert math.sqrt(stats.chi2.ppf(0.5, 2)) == pytest.approx(CEP50, abs=5e-5)
    assert math.sqrt(stats.chi2.ppf(0.95, 2)) == pytest.approx(R95, abs=5e-5)
    assert math.sqrt(2) == pytest.approx(DRMS, abs=5e-5)
    assert math.sqrt(8) == pytest.approx(TWO_DRMS, abs=5e-5)
    assert pytest.approx(RATIO, abs=2e-4) == TWO_DRMS / CEP50


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_circular_normal_stay_comes_to_the_published_radii(seed: int) -> None:
    sigma_m, count = 3.0, 40_000
    random = np.random.default_rng(seed)
    # Metres to degrees on the equator: radii of the meridian 6335439.3 m and of the equator 6378137 m.
    north, east = (random.normal(0, sigma_m, count) for _ in range(2))
    found = scatter(np.degrees(north / 6335439.3), 20 + np.degrees(east / 6378137.0), np.arange(count) / 10.0)
    # Four standard errors of an empirical quantile p of Rayleigh's density f: 4 sqrt(p (1 - p) / n) / f.
    for share, published, empirical in ((0.5, CEP50, found.cep50_m), (0.95, R95, found.r95_m)):
        density = float(stats.rayleigh.pdf(published))
        error = 4 * math.sqrt(share * (1 - share) / count) / density
        assert empirical / sigma_m == pytest.approx(published, abs=error)
    assert found.drms_m / sigma_m == pytest.approx(DRMS, rel=4 / math.sqrt(2 * count))
    assert found.two_drms_m / sigma_m == pytest.approx(TWO_DRMS, rel=4 / math.sqrt(2 * count))
    assert found.two_drms_m / found.cep50_m == pytest.approx(RATIO, rel=0.03)
