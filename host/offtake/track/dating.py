"""Dates for epochs that know only their time of day.

Receivers tell the date in some sentences only, and often not before the first solution. Within a run the
days are counted over midnight by times of day and ticks; a date known anywhere then dates every epoch,
forwards and backwards. Dates from epochs with a position are preferred: before it, a receiver may tell a
default.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace

from offtake.track.epochs import Epoch
from offtake.track.fix import Fix

_DAY_US = 86_400_000_000


def date_epochs(epochs: Sequence[Epoch]) -> tuple[Fix, ...]:
    """Return the fixes of one run's ``epochs`` with UTC where any date of the run tells it."""
    days = _count_days(epochs)
    anchors = [index for index, epoch in enumerate(epochs) if epoch.mark.date and epoch.fix.has_position]
    if not anchors:
        anchors = [index for index, epoch in enumerate(epochs) if epoch.mark.date]
    fixes: list[Fix] = []
    following = 0
    for index, epoch in enumerate(epochs):
        # The last date at or before this epoch counts; before the first date, the first.
        while following < len(anchors) and anchors[following] <= index:
            following += 1
        utc = None
        if anchors and epoch.fix.time_of_day_us is not None:
            anchor = anchors[max(0, following - 1)]
            utc = _utc(epochs[anchor].mark.date, days[index] - days[anchor], epoch.fix.time_of_day_us)
        fixes.append(replace(epoch.fix, utc=utc))
    return tuple(fixes)


def _count_days(epochs: Sequence[Epoch]) -> list[int]:
    """Return for each epoch the midnights since the first one.

    The ticks say how much time passed, the times of day say it modulo a day; the difference, rounded, is the
    number of midnights. A time of day that steps back a little is not a new day.
    """
    days: list[int] = []
    day = 0
    before: Fix | None = None
    for epoch in epochs:
        fix = epoch.fix
        if fix.time_of_day_us is not None:
            if before is not None and before.time_of_day_us is not None:
                by_tick_us = fix.tick_us - before.tick_us
                by_clock_us = fix.time_of_day_us - before.time_of_day_us
                day += max(0, (by_tick_us - by_clock_us + _DAY_US // 2) // _DAY_US)
            before = fix
        days.append(day)
    return days


def _utc(date: dt.date | None, days: int, time_of_day_us: int) -> dt.datetime | None:
    if date is None:
        return None
    midnight = dt.datetime(date.year, date.month, date.day, tzinfo=dt.UTC)
    try:
        return midnight + dt.timedelta(days=days, microseconds=time_of_day_us)
    except OverflowError:
        # Ticks of a damaged log can put an epoch past the calendar: then its date is not known.
        return None
