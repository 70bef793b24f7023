"""How values look in exported files, and the checks the formats' schemas do not make."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from offtake.errors import DamageError

if TYPE_CHECKING:
    # Every verb shows results with this module; few of them have fixes.
    from offtake.track.fixes import FixColumns
    from offtake.track.values import Fix

CREATOR = "offtake 0.1.0"
LABEL_LENGTH_MAX = 200
# They reorder the text around them, so a label could pass for something else.
_DIRECTION_MARKS = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


@dataclass(frozen=True)
class ExportCounts:
    """What went into a file: ``positions`` written, ``segments`` without a gap, epochs ``left_out``; gaps, glitches and
    events written as ``marks``, and ``marks_left_out`` for want of a place."""

    positions: int
    segments: int
    left_out: int
    marks: int = 0
    marks_left_out: int = 0


def iso_utc(moment: dt.datetime) -> str:
    """Return ``moment`` as ISO 8601 in UTC with ``Z``; fractions of a second only where there are any.

    Raises :class:`~offtake.errors.DamageError` when ``moment`` has no time zone.
    """
    if moment.tzinfo is None:
        raise DamageError(f"time {moment.isoformat()} has no time zone", expected="a time in UTC")
    text = moment.astimezone(dt.UTC).replace(tzinfo=None).isoformat()
    return (text.rstrip("0") if "." in text else text) + "Z"


def decimal_text(value: float) -> str:
    """Return the shortest decimal that reads back as ``value``, never in exponent form.

    Raises :class:`~offtake.errors.DamageError` for a value that is not finite.
    """
    if not math.isfinite(value):
        raise DamageError(f"value {value} is not finite", expected="a finite number")
    text = format(Decimal(repr(value)), "f")
    return text[:-2] if text.endswith(".0") else text


def checked_position(fix: Fix) -> tuple[float, float]:
    """Return latitude and longitude of ``fix`` in degrees, longitude 180 as -180.

    Raises :class:`~offtake.errors.DamageError` when it has no position or lies outside the globe's range.
    """
    latitude, longitude = fix.latitude_deg, fix.longitude_deg
    where = f"run {fix.run}, tick {fix.tick_us} us"
    if latitude is None or longitude is None:
        raise DamageError("no position", where=where, expected="a fix with a position")
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        expected = "-90 to 90 and -180 to 180 degrees"
        raise DamageError(f"position {latitude}, {longitude} is out of range", where=where, expected=expected)
    return latitude, -180.0 if longitude == 180.0 else longitude


def require_positions(fixes: FixColumns) -> None:
    """Refuse positions out of range as :func:`checked_position` does, all at once."""
    there = fixes.has_position
    good = (np.abs(fixes.latitude_deg) <= 90.0) & (np.abs(fixes.longitude_deg) <= 180.0)
    for row in np.flatnonzero(there & ~good)[:1].tolist():
        checked_position(fixes[row])


def wrapped_deg(longitude_deg: NDArray[np.float64]) -> NDArray[np.float64]:
    """Longitudes with 180 as -180."""
    return np.where(longitude_deg == 180.0, -180.0, longitude_deg)


def mean_sea_level_m(fix: Fix) -> float | None:
    """Return the height above mean sea level in metres: as told, or the ellipsoid's less the geoid separation."""
    if fix.altitude_m is not None or fix.height_m is None or fix.geoid_separation_m is None:
        return fix.altitude_m
    return fix.height_m - fix.geoid_separation_m


def ellipsoid_height_m(fix: Fix) -> float | None:
    """Return the height above the WGS84 ellipsoid in metres: as told, or mean sea level's and the geoid separation."""
    if fix.height_m is not None or fix.altitude_m is None or fix.geoid_separation_m is None:
        return fix.height_m
    return fix.altitude_m + fix.geoid_separation_m


def clean_label(label: str, length_max: int = LABEL_LENGTH_MAX) -> str:
    """Return ``label``, which may come from a log, as one harmless line of text.

    Control characters, direction marks, lone surrogates and codes that are no character are taken out, line
    breaks become spaces, and what is longer than ``length_max`` characters is cut.
    """
    kept = []
    for character in label:
        if character in "\t\n\r\u2028\u2029":
            kept.append(" ")
        elif unicodedata.category(character) not in ("Cc", "Cs", "Cn") and character not in _DIRECTION_MARKS:
            kept.append(character)
    return " ".join("".join(kept).split())[:length_max].strip()
