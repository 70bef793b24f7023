"""Published values of geodesy that the track's distances and speeds rest on."""

from __future__ import annotations

import pytest
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]
from offtake.track.contribution import KNOT_M_S
from offtake.track.fix import Fix
from offtake.track.summary import distance_m


def way(*positions: tuple[float, float]) -> float:
    return distance_m([Fix(run=1, tick_us=0, latitude_deg=one[0], longitude_deg=one[1]) for one in positions])


def degrees(whole: int, minutes: int, seconds: float) -> float:
    return whole + minutes / 60 + seconds / 3600


def test_knot() -> None:
    # Knot 1852/3600 m/s (check values: Time and geodesy).
    assert KNOT_M_S == 1852 / 3600


def test_the_ellipsoid_is_wgs84() -> None:
    # WGS84 a 6378137, 1/f 298.257223563 (check values: Time and geodesy). One degree of longitude on the
    # equator is a times pi/180, which shows in `distance_m`.
    assert Geodesic.WGS84.a == 6378137.0
    assert 1 / Geodesic.WGS84.f == pytest.approx(298.257223563, rel=1e-14)
    assert way((0.0, 10.0), (0.0, 11.0)) == pytest.approx(6378137.0 * 3.141592653589793 / 180, abs=1e-6)


def test_flinders_peak_to_buninyong() -> None:
    # Flinders Peak to Buninyong = 54972.271 m (GRS80). WGS84 differs from GRS80 by 0.1 mm in its minor axis.
    flinders = (-degrees(37, 57, 3.72030), degrees(144, 25, 29.52440))
    buninyong = (-degrees(37, 39, 10.15610), degrees(143, 55, 35.38390))
    assert way(flinders, buninyong) == pytest.approx(54972.271, abs=0.001)


def test_nearly_antipodal() -> None:
    # (-41.32, 174.81) to (40.96, -5.50) = 19959679.26735 m (geographiclib docstring, read).
    assert way((-41.32, 174.81), (40.96, -5.50)) == pytest.approx(19959679.26735, abs=1e-5)
