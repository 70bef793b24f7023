"""A user's own dialect may call anything by a name that the track knows: what cannot be that is left out."""

from __future__ import annotations

import pytest
from offtake.track.contribution import contribution

GOOD = {"latitude_deg": -47.5, "longitude_deg": 12.25, "hdop": 1, "satellites_used": 9, "speed_m_s": 2.5}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("hdop", "poor"),
        ("hdop", True),
        ("hdop", float("nan")),
        ("satellites_used", 4.5),
        ("speed_m_s", "fast"),
        ("altitude_m", (1, 2)),
        ("velocity_down_m_s", "up"),
    ],
)
def test_what_is_no_such_number_is_left_out(name: str, value: object) -> None:
    given = contribution({**GOOD, name: value})
    assert given.get("climb_m_s" if name == "velocity_down_m_s" else name) is None
    assert given["latitude_deg"] == -47.5


@pytest.mark.parametrize(("name", "value"), [("latitude_deg", 95.5), ("longitude_deg", -181.0), ("latitude_deg", "x")])
def test_a_position_off_the_globe_is_none(name: str, value: object) -> None:
    given = contribution({**GOOD, name: value})
    assert "latitude_deg" not in given
    assert "longitude_deg" not in given
    assert given["hdop"] == 1
