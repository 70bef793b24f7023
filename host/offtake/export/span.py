"""A span of time, and what of a run lies in it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError
from offtake.track.fixes import NO_TIME, utc_us_of
from offtake.track.timeline import TimeLine

LEAD_S = 120.0
"""So much before and behind a span is looked at with it: an epoch at its edge is whole, and judged among others."""
# A receiver's own time that is further from the run's time line is wrong.
_ASTRAY_US = 60_000_000
_LAST_US = 2**62


@dataclass(frozen=True)
class Span:
    """From ``from_us`` up to, and without, ``to_us``: microseconds of UTC since 1970, ``None`` without an end."""

    from_us: int | None = None
    to_us: int | None = None

    @classmethod
    def of(cls, begin: str | None, end: str | None) -> Span | None:
        """The span between two times as ISO 8601 has them, taken as UTC unless they say otherwise; ``None`` for none.

        :raises UsageError: what is no such time, or a span that ends before it begins.
        """
        if begin is None and end is None:
            return None
        span = cls(_moment(begin, "--from"), _moment(end, "--to"))
        if span.from_us is not None and span.to_us is not None and span.from_us >= span.to_us:
            raise UsageError(f"the span from {begin} to {end} is empty", expected="a time to end at after the first")
        return span

    def holds(self, utc_us: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Which of these times are in it; :data:`~offtake.track.fixes.NO_TIME` is not."""
        inside: NDArray[np.bool_] = utc_us != NO_TIME
        if self.from_us is not None:
            inside &= utc_us >= self.from_us
        if self.to_us is not None:
            inside &= utc_us < self.to_us
        return inside


def formats_and_end(values: Sequence[str]) -> tuple[list[str], str | None]:
    """Part what was asked for ``--to``: names of formats with commas between, and a time to end at, which begins with a
    digit as no format does.

    :raises UsageError: two times, a time among formats, or nothing at all.
    """
    for value in values:
        named = [name.strip() for name in value.split(",")]
        dated = [name for name in named if name[:1].isdigit()]
        # A second may have a comma too.
        if dated and len(dated) < len(named):
            told = f"--to twice, once with the formats and once with {dated[0]}"
            raise UsageError(f"formats and a time in one, {value!r}", where="--to", expected=told)
        if not any(named):
            raise UsageError(f"{value!r} names nothing", where="--to", expected="formats, or a time to end at")
    times = [value for value in values if value[:1].isdigit()]
    if len(times) > 1:
        raise UsageError(f"two times to end at, {times[0]} and {times[1]}", where="--to", expected="one")
    named = [name.strip() for value in values if not value[:1].isdigit() for name in value.split(",")]
    return [name for name in named if name], times[0] if times else None


def _moment(text: str | None, option: str) -> int | None:
    if text is None:
        return None
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no time", where=option, expected="ISO 8601, such as 2024-05-01T12:00:00Z"
        ) from error
    return utc_us_of(moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC))


@dataclass(frozen=True)
class RunSpan:
    """A span in a run that has a time line."""

    span: Span
    line: TimeLine

    def keeps(self, tick_us: NDArray[np.int64], utc_us: NDArray[np.int64] | None = None) -> NDArray[np.bool_]:
        """Which rows lie in the span: by their own UTC where they have one that can be, or else by their ticks."""
        by_line = self.line.stamp_many(tick_us)[0]
        told = np.where(np.isnat(by_line), NO_TIME, by_line.astype(np.int64))
        if utc_us is not None:
            credible = (utc_us != NO_TIME) & (np.abs(utc_us - told) <= _ASTRAY_US)
            told = np.where(credible, utc_us, told)
        return self.span.holds(told)

    def ticks(self) -> tuple[int, int] | None:
        """First and last tick, in microseconds since power-up, at which something in the span or just beside it may
        have come; ``None`` where the run has nothing to do with the span."""
        lead_us = round(LEAD_S * 1e6)
        first = 0 if self.span.from_us is None else self._tick_at(self.span.from_us - lead_us)
        last = _LAST_US if self.span.to_us is None else self._tick_at(self.span.to_us + lead_us)
        return (first, last) if last > 0 else None

    def _tick_at(self, utc_us: int) -> int:
        """The first tick that the line puts at ``utc_us`` or later, from 0 on."""
        low, high = 0, _LAST_US
        while low < high:
            middle = (low + high) // 2
            told = self.line.stamp_many(np.array([middle], dtype=np.int64))[0][0]
            # What is past the calendar is later than anything.
            if np.isnat(told) or int(told.astype(np.int64)) >= utc_us:
                high = middle
            else:
                low = middle + 1
        return low
