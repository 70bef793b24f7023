"""Published values of geodesy that the track's distances and speeds rest on."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]
from offtake.track.contribution import KNOT_M_S
from offtake.track.fix import Fix
from offtake.track.geodesy import A_M, FLATTENING, legs, radii_m
from offtake.track.summary import distance_m
from pyproj import Geod, Transformer


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
    assert (6378137.0, pytest.approx(298.257223563, rel=1e-14)) == (A_M, 1 / FLATTENING)
    assert way((0.0, 10.0), (0.0, 11.0)) == pytest.approx(6378137.0 * 3.141592653589793 / 180, abs=1e-6)


def test_flinders_peak_to_buninyong() -> None:
    # Flinders Peak to Buninyong = 54972.271 m (GRS80). WGS84 differs from GRS80 by 0.1 mm in its minor axis.
    flinders = (-degrees(37, 57, 3.72030), degrees(144, 25, 29.52440))
    buninyong = (-degrees(37, 39, 10.15610), degrees(143, 55, 35.38390))
    assert way(flinders, buninyong) == pytest.approx(54972.271, abs=0.001)
    by_legs = legs(np.array([flinders[0], buninyong[0]]), np.array([flinders[1], buninyong[1]]))
    assert by_legs.length_m[0] == pytest.approx(54972.271, abs=0.001)
    on_grs80 = Geod(ellps="GRS80").inv(flinders[1], flinders[0], buninyong[1], buninyong[0])[2]
    assert on_grs80 == pytest.approx(54972.271, abs=0.001)


def test_nearly_antipodal() -> None:
    # (-41.32, 174.81) to (40.96, -5.50) = 19959679.26735 m (geographiclib docstring, read).
    assert way((-41.32, 174.81), (40.96, -5.50)) == pytest.approx(19959679.26735, abs=1e-5)
    by_legs = legs(np.array([-41.32, 40.96]), np.array([174.81, -5.50]))
    assert by_legs.length_m[0] == pytest.approx(19959679.26735, abs=1e-5)


def test_the_radii_of_curvature_place_a_point_in_space() -> None:
    # ECEF (EPSG 7-2 example): 53d48'33.820"N 2d07'46.380"E 73.0 m -> 3771793.968, 140253.342, 5124304.349.
    latitude, longitude, height = degrees(53, 48, 33.820), degrees(2, 7, 46.380), 73.0
    published = (3771793.968, 140253.342, 5124304.349)
    by_proj = Transformer.from_crs("EPSG:4979", "EPSG:4978", always_xy=True).transform(longitude, latitude, height)
    assert by_proj == pytest.approx(published, abs=0.001)
    meridian, prime = (float(one[0]) for one in radii_m(np.array([latitude])))
    phi, lam = math.radians(latitude), math.radians(longitude)
    squeeze = (1 - FLATTENING) ** 2
    mine = (
        (prime + height) * math.cos(phi) * math.cos(lam),
        (prime + height) * math.cos(phi) * math.sin(lam),
        (squeeze * prime + height) * math.sin(phi),
    )
    assert mine == pytest.approx(published, abs=0.001)
    # The two radii are bound by the ellipsoid's shape: M = N^3 (1 - f)^2 / a^2.
    assert meridian == pytest.approx(prime**3 * squeeze / A_M**2, rel=1e-12)
