"""What one epoch of the receiver says, as values: a fix, and the satellites."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

SYSTEMS = ("gps", "glonass", "galileo", "beidou", "qzss", "navic", "sbas")
"""Names of the satellite systems; columns hold their places in this table."""


@dataclass(frozen=True, slots=True)
class Fix:
    """One epoch of the receiver. ``None`` is absent; nothing is filled in.

    ``tick_us`` is the time of the epoch's first byte in microseconds since power-up; ``utc`` is aware and
    ``None`` while no date is known; ``time_of_day_us`` counts microseconds from UTC midnight. ``altitude_m``
    is height above mean sea level, ``geoid_separation_m`` mean sea level above the WGS84 ellipsoid.
    ``height_m`` is height above the WGS84 ellipsoid where the receiver gives it by itself. The accuracies are the
    receiver's own one-sigma estimates. ``climb_m_s`` is positive upwards; ``heading_deg`` is where the vehicle points,
    ``course_deg`` where it goes. ``fix_type`` is ``none``, ``2d``, ``3d``, ``time`` (time alone) or ``dead_reckoning``;
    ``fix_quality`` a name from the dialect's tables.
    ``after_loss`` says that bytes of the stream were lost since the epoch before, or within this one.
    ``source_offsets`` are the stream offsets in bytes of the messages merged here.
    """

    run: int
    tick_us: int
    utc: dt.datetime | None = None
    time_of_day_us: int | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    geoid_separation_m: float | None = None
    height_m: float | None = None
    speed_m_s: float | None = None
    course_deg: float | None = None
    climb_m_s: float | None = None
    heading_deg: float | None = None
    fix_quality: str | None = None
    fix_type: str | None = None
    satellites_used: int | None = None
    satellites_in_view: int | None = None
    hdop: float | None = None
    vdop: float | None = None
    pdop: float | None = None
    horizontal_accuracy_m: float | None = None
    vertical_accuracy_m: float | None = None
    speed_accuracy_m_s: float | None = None
    after_loss: bool = False
    source_offsets: tuple[int, ...] = ()

    @property
    def has_position(self) -> bool:
        """Whether the receiver gave a position it vouched for."""
        return self.latitude_deg is not None and self.longitude_deg is not None


@dataclass(frozen=True, slots=True)
class Satellite:
    """One satellite as the receiver reports it. ``system`` is ``gps``, ``glonass``, ``galileo``, ``beidou``,
    ``qzss``, ``navic``, ``sbas`` or ``None`` (unknown); ``satellite_id`` its number in the dialect that told it;
    ``cn0_db_hz`` is absent when it is not tracked; ``used`` whether it is in the solution, ``None`` when not said."""

    system: str | None
    satellite_id: int
    elevation_deg: float | None = None
    azimuth_deg: float | None = None
    cn0_db_hz: float | None = None
    used: bool | None = None
    signal_id: int | None = None


@dataclass(frozen=True, slots=True)
class Sky:
    """The satellites reported at one epoch; ``tick_us`` and ``utc`` are those of the epoch's fix."""

    run: int
    tick_us: int
    utc: dt.datetime | None
    satellites: tuple[Satellite, ...]
