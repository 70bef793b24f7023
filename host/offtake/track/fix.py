"""A run's fixes: what the receiver said, epoch by epoch, on one UTC time line."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

from offtake.dialects.message import DecodeCounts


@dataclass(frozen=True, slots=True)
class Fix:
    """One epoch of the receiver. ``None`` is absent; nothing is filled in.

    ``tick_us`` is the time of the epoch's first byte in microseconds since power-up; ``utc`` is aware and
    ``None`` while no date is known; ``time_of_day_us`` counts microseconds from UTC midnight. ``altitude_m``
    is height above mean sea level, ``geoid_separation_m`` mean sea level above the WGS84 ellipsoid.
    ``fix_type`` is ``none``, ``2d`` or ``3d``; ``fix_quality`` a name from the dialect's tables.
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
    speed_m_s: float | None = None
    course_deg: float | None = None
    fix_quality: str | None = None
    fix_type: str | None = None
    satellites_used: int | None = None
    hdop: float | None = None
    vdop: float | None = None
    pdop: float | None = None
    after_loss: bool = False
    source_offsets: tuple[int, ...] = ()

    @property
    def has_position(self) -> bool:
        """Whether the receiver gave a position it vouched for."""
        return self.latitude_deg is not None and self.longitude_deg is not None


@dataclass(frozen=True)
class Track:
    """All epochs of one run, in stream order, and what the decoder counted while reading it."""

    run: int
    fixes: tuple[Fix, ...]
    counts: DecodeCounts = field(default_factory=DecodeCounts)
