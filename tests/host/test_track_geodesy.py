"""Lengths and directions against geographiclib and pyproj."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic  # type: ignore[import-untyped]
from hypothesis import example, given
from hypothesis import strategies as st
from offtake.track.geodesy import legs, mean_position, plane
from pyproj import Geod

WGS84 = Geod(ellps="WGS84")


def inverse(*points: float) -> tuple[float, float, float]:
    found = Geodesic.WGS84.Inverse(*points)
    return found["s12"], found["azi1"], found["azi2"]


@given(
    latitude=st.floats(-85, 85),
    longitude=st.floats(-180, 180),
    bearing=st.floats(0, 360),
    metres=st.floats(0, 1000),
)
@example(latitude=84.999, longitude=0.0, bearing=80.0, metres=990.0)
@example(latitude=-85.0, longitude=0.0, bearing=91.0, metres=1000.0)
def test_short_legs_to_the_millimetre(latitude: float, longitude: float, bearing: float, metres: float) -> None:
    end = Geodesic.WGS84.Direct(latitude, longitude, bearing, metres)
    found = legs(np.array([latitude, end["lat2"]]), np.array([longitude, end["lon2"]]))
    length, azimuth, azimuth_end = inverse(latitude, longitude, end["lat2"], end["lon2"])
    assert found.length_m[0] == pytest.approx(length, abs=0.001)
    assert WGS84.inv(longitude, latitude, end["lon2"], end["lat2"])[2] == pytest.approx(length, abs=0.001)
    # The components lie along the leg's middle direction.
    turn = (azimuth_end - azimuth + 180) % 360 - 180
    middle = np.radians(azimuth + turn / 2)
    assert found.east_m[0] == pytest.approx(length * np.sin(middle), abs=0.002)
    assert found.north_m[0] == pytest.approx(length * np.cos(middle), abs=0.002)


@pytest.mark.parametrize(
    "points",
    [(-31.0, -101.0, -31.5, -99.0), (89.9, 10.0, 89.95, -170.0), (90.0, 0.0, 90.0, 77.0), (-90.0, 5.0, -89.99, 5.0),
     (0.0, 179.9, 0.0, -179.9), (10.0, 20.0, -10.0, -160.0)],
)  # fmt: skip
def test_long_and_polar_legs_are_geographiclib_s(points: tuple[float, float, float, float]) -> None:
    found = legs(np.array(points[::2]), np.array(points[1::2]))
    assert found.length_m[0] == pytest.approx(inverse(*points)[0], abs=1e-6)
    assert np.hypot(found.east_m[0], found.north_m[0]) == pytest.approx(found.length_m[0])


def test_180_degrees_are_crossed_the_short_way() -> None:
    found = legs(np.array([0.0, 0.0]), np.array([179.9995, -179.9995]))
    assert found.length_m[0] == pytest.approx(111.319491, abs=1e-3)
    assert found.east_m[0] > 0


def test_few_positions() -> None:
    for count in (0, 1):
        found = legs(np.zeros(count), np.zeros(count))
        assert [len(part) for part in found] == [0, 0, 0]


@given(
    latitude=st.floats(-85, 85), longitude=st.floats(-180, 180), bearing=st.floats(0, 360), metres=st.floats(0, 1000)
)
def test_the_plane_keeps_lengths(latitude: float, longitude: float, bearing: float, metres: float) -> None:
    end = Geodesic.WGS84.Direct(latitude, longitude, bearing, metres)
    east, north = plane(np.array([end["lat2"]]), np.array([end["lon2"]]), (latitude, longitude))
    assert np.hypot(east[0], north[0]) == pytest.approx(metres, abs=0.001)


def test_mean_over_180_degrees() -> None:
    latitude, longitude = mean_position(np.array([1.0, 3.0]), np.array([179.0, -177.0]))
    assert (latitude, longitude) == (2.0, pytest.approx(-179.0))
