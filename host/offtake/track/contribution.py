"""What one message says of its epoch, by the names of its values, whichever dialect it is of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from offtake.dialects.message import Message

# International knot: 1852 m an hour, by definition.
KNOT_M_S = 1852 / 3600
KM_H_M_S = 1000 / 3600

DAY_US = 86_400_000_000
WEEK_US = 7 * DAY_US

# What the receiver reports of itself, given with or without a solution.
REPORT_FIELDS = ("hdop", "vdop", "pdop", "satellites_used")
# What a receiver does not vouch for is left out, and so are these fields then.
VOUCHED_FIELDS = (
    "altitude_m", "geoid_separation_m", "height_m", "course_deg", "heading_deg", "climb_m_s",
    "horizontal_accuracy_m", "vertical_accuracy_m", "speed_accuracy_m_s",
)  # fmt: skip
POSITION_FIELDS = (
    "latitude_deg", "longitude_deg", "altitude_m", "height_m", "horizontal_accuracy_m", "vertical_accuracy_m",
)  # fmt: skip
"""What the message with the finest position gives, though another spoke first."""

# The names of a fix's types by those of the dialects.
FIX_TYPES = {name: name for name in ("none", "2d", "3d", "time", "dead_reckoning")} | {"combined": "3d"}
NO_POSITION = ("none", "time")
# From the least to the most trusted; the best constellation's mode stands for the solution.
MODE_ORDER = (
    "none", "other", "manual", "simulator", "estimated",
    "autonomous", "differential", "precise", "rtk_float", "rtk_fixed",
)  # fmt: skip

# What a message must have a field of to open an epoch, and what else has a part in one.
TELLING = ("time_of_day_us", "latitude_deg", "time_of_week_us")
CONTRIBUTING = ("speed_kn", "speed_km_h", "course_deg", "hdop", "fix_type", "velocity_north_m_s", "heading_deg")
# In the order of preference.
SPEED_UNITS = (("speed_m_s", 1.0), ("speed_kn", KNOT_M_S), ("speed_km_h", KM_H_M_S))
CARRIER_QUALITIES = ("rtk_float", "rtk_fixed")
TYPES_WITH_POSITION = ("2d", "3d", "combined")

# Degrees in binary messages are whole numbers of this; more digits show as a rest.
COMMON_STEPS_PER_DEG = 1e7
REST = 1e-3


# A user's own dialect may give these names to anything: what is no such number is not taken for one.
NUMBERS = frozenset({
    *REPORT_FIELDS, *VOUCHED_FIELDS, "latitude_deg", "longitude_deg", "speed_m_s", "speed_kn", "speed_km_h",
    "velocity_north_m_s", "velocity_east_m_s", "velocity_down_m_s", "latitude_sigma_m", "longitude_sigma_m",
    "altitude_sigma_m",
})  # fmt: skip
WITHIN = {"latitude_deg": 90.0, "longitude_deg": 180.0}
WHOLE = ("satellites_used",)


def sound(name: str, value: Any) -> bool:
    """Whether ``value`` can be what ``name`` says: a finite number for a quantity, on the globe for a position."""
    if name not in NUMBERS or value is None:
        return True
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return False
    if name in WHOLE and not isinstance(value, int):
        return False
    return abs(value) <= WITHIN.get(name, math.inf)


def full_circle_deg(degrees: float) -> float:
    """Return a direction as 0 up to, not including, 360 degrees."""
    turned = degrees % 360.0
    # A tiny negative one comes out as 360 in floating point.
    return turned if turned < 360.0 else 0.0


def tells_time_or_position(values: Mapping[str, Any]) -> bool:
    """Whether a message could carry a time or a position, known or not."""
    return any(name in values for name in TELLING)


def contributes(values: Mapping[str, Any]) -> bool:
    """Whether a message has a part in a fix, so that its coming again opens the next epoch."""
    return tells_time_or_position(values) or any(name in values for name in CONTRIBUTING)


def contribution(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a :class:`~offtake.track.fix.Fix` that a message's ``values`` give; none is ``None``, and
    what is not :func:`sound` is left out."""
    values = {name: value for name, value in values.items() if sound(name, value)}
    quality = _quality(values)
    kind = values.get("fix_type")
    void = (
        values.get("status") == "void"
        or quality == "none"
        or values.get("fix_ok") is False
        or values.get("position_void") is True
        or ("fix_ok" in values and kind in NO_POSITION)
        # A message that has no other way to say so leaves the accuracy open while there is no solution.
        or ("fix_ok" not in values and "horizontal_accuracy_m" in values and values["horizontal_accuracy_m"] is None)
    )
    given: dict[str, Any] = {name: values.get(name) for name in REPORT_FIELDS}
    given["fix_type"] = FIX_TYPES.get(kind) if isinstance(kind, str) else None
    given["fix_quality"] = "none" if void else quality
    if not void:
        given |= {name: values.get(name) for name in VOUCHED_FIELDS}
        latitude, longitude = values.get("latitude_deg"), values.get("longitude_deg")
        if latitude is not None and longitude is not None:
            given["latitude_deg"], given["longitude_deg"] = latitude, longitude
        given |= _motion(values)
        given |= _sigmas(values)
    return {name: value for name, value in given.items() if value is not None}


def position_rank(message: Message) -> int:
    """Return how fine the position of ``message`` is: -1 none, 0 text, 1 binary, 2 binary with more digits than usual.

    A binary position is not rounded to decimals of a minute, so it stands for the epoch when both are there.
    """
    latitude, longitude = message.values.get("latitude_deg"), message.values.get("longitude_deg")
    if not isinstance(latitude, (int, float)) or not isinstance(longitude, (int, float)):
        return -1
    if message.talker:
        return 0
    steps = [one * COMMON_STEPS_PER_DEG for one in (latitude, longitude)]
    return 2 if any(abs(step - round(step)) > REST for step in steps) else 1


def _quality(values: Mapping[str, Any]) -> str | None:
    quality = values.get("fix_quality") or values.get("mode")
    modes = values.get("modes")
    if quality is None and isinstance(modes, tuple) and modes:
        quality = max(modes, key=lambda mode: MODE_ORDER.index(mode) if mode in MODE_ORDER else 0)
    if quality is None and values.get("fix_ok") is True:
        quality = _quality_of_flags(values)
    return quality if isinstance(quality, str) else None


def _quality_of_flags(values: Mapping[str, Any]) -> str | None:
    """The same names as the text sentences use, from the flags of a binary solution."""
    carrier = values.get("carrier_solution")
    if carrier in CARRIER_QUALITIES:
        return str(carrier)
    if values.get("differential") is True:
        return "differential"
    kind = values.get("fix_type")
    if kind == "dead_reckoning":
        return "estimated"
    return "autonomous" if kind in TYPES_WITH_POSITION else None


def _motion(values: Mapping[str, Any]) -> dict[str, Any]:
    """Speed, course and climb, from whatever unit or components the message has."""
    given: dict[str, Any] = {}
    north, east = values.get("velocity_north_m_s"), values.get("velocity_east_m_s")
    if north is not None and east is not None:
        given["speed_m_s"] = math.hypot(north, east)
        if north or east:
            given["course_deg"] = full_circle_deg(math.degrees(math.atan2(east, north)))
    if values.get("velocity_down_m_s") is not None:
        given["climb_m_s"] = 0.0 - values["velocity_down_m_s"]
    for name, unit_m_s in SPEED_UNITS:
        if values.get(name) is not None:
            given["speed_m_s"] = float(values[name]) * unit_m_s
            break
    if values.get("course_deg") is not None:
        given["course_deg"] = (
            values["course_deg"] if values["course_deg"] >= 0 else full_circle_deg(values["course_deg"])
        )
    return given


def _sigmas(values: Mapping[str, Any]) -> dict[str, Any]:
    """Accuracies from one-sigma figures along the axes: the root of the sum of squares."""
    given: dict[str, Any] = {}
    north, east = values.get("latitude_sigma_m"), values.get("longitude_sigma_m")
    if north is not None and east is not None:
        given["horizontal_accuracy_m"] = math.hypot(north, east)
    if values.get("altitude_sigma_m") is not None:
        given["vertical_accuracy_m"] = values["altitude_sigma_m"]
    return given
