"""What one epoch says of time, before anything is made of it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class TimeMark:
    """The receiver's words on time at one epoch; what it did not say is ``None``.

    ``tick_us`` is the logger's time of the epoch's first byte, in microseconds since power-up. ``time_of_day_us`` is
    UTC, ``date`` the UTC date said together with it. ``week`` and ``time_of_week_us`` are GPS time (``week`` full, or
    modulo 1024 when ``week_bits`` is 10); ``leap_s`` is GPS minus UTC as the receiver believes it. ``trusted`` says
    that the receiver vouches for date and time, or had a position; before that it may tell a default.
    ``after_loss`` says that bytes were lost before or within the epoch, so its first byte may be another's.
    """

    tick_us: int
    time_of_day_us: int | None = None
    date: dt.date | None = None
    week: int | None = None
    week_bits: int | None = None
    time_of_week_us: int | None = None
    leap_s: int | None = None
    trusted: bool = False
    after_loss: bool = False
