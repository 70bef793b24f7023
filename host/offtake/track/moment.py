"""The moment that a message names, and when two of them are the same one."""

from __future__ import annotations

from typing import NamedTuple

from offtake.dialects.message import Message
from offtake.track.contribution import DAY_US, WEEK_US

# Text times have hundredths of a second, cut or rounded, so the same moment may be told 5 ms apart. At a hundred epochs
# a second, more than receivers give, epochs are 10 ms apart.
SAME_TIME_US = 5_500

# GPS-UTC since 2017-01-01; only where a stream speaks both ways and never says how many seconds lie between.
USUAL_LEAP_S = 18

# One leap second a year at most since 1980; a moment told both ways that differs by more is not one moment.
LEAP_S_MAX = 100


class Moment(NamedTuple):
    """A moment as messages tell it: UTC time of day, GPS time of week, or both; in microseconds."""

    day_us: int | None
    week_us: int | None

    @property
    def known(self) -> bool:
        """Whether anything was told."""
        return self.day_us is not None or self.week_us is not None

    def agrees(self, other: Moment, leap_s: int) -> bool:
        """Whether both name the same moment; ``False`` where either is unknown."""
        if self.day_us is not None and other.day_us is not None:
            return _near(self.day_us - other.day_us, DAY_US)
        if self.week_us is not None and other.week_us is not None:
            return _near(self.week_us - other.week_us, WEEK_US)
        for one, two in ((self, other), (other, self)):
            if one.day_us is not None and two.week_us is not None:
                return _near(two.week_us - leap_s * 1_000_000 - one.day_us, DAY_US)
        return False


def _near(difference_us: int, turn_us: int) -> bool:
    rest = difference_us % turn_us
    return min(rest, turn_us - rest) <= SAME_TIME_US


def moment_of(message: Message) -> Moment:
    """Return the moment that ``message`` tells."""
    day_us, week_us = message.values.get("time_of_day_us"), message.values.get("time_of_week_us")
    return Moment(day_us if isinstance(day_us, int) else None, week_us if isinstance(week_us, int) else None)


def leap_said(message: Message, moment: Moment, before: int) -> int:
    """GPS minus UTC in seconds as the stream says it last: in words, or by telling one moment both ways."""
    said = message.values.get("leap_s")
    if isinstance(said, int):
        return said
    if moment.day_us is not None and moment.week_us is not None:
        seconds = round((moment.week_us - moment.day_us) % DAY_US / 1e6)
        return seconds if seconds <= LEAP_S_MAX else before
    return before
