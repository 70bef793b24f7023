"""A track whose ticks are the receiver's own times, for bytes that nobody timed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from offtake.dialects.stream import TimedMessage
from offtake.track.contribution import DAY_US
from offtake.track.epochs import USUAL_LEAP_S, group_epochs
from offtake.track.fix import Track
from offtake.track.timemark import TimeMark

STEP_MOST_US = DAY_US // 2
"""A longer step forward is one back."""


def track_by_receiver_time(messages: Iterable[TimedMessage]) -> tuple[Track, tuple[str, ...]]:
    """Return the epochs of ``messages`` as a track with ``tick_us`` counted from the first time of day, and notes on
    what could not be told.

    Epochs without a time are put between their neighbours; times that go back stand still.
    """
    epochs = list(group_epochs(messages, 1))
    days = [_day_us(epoch.mark) for epoch in epochs]
    known = [place for place, day_us in enumerate(days) if day_us is not None]
    notes: tuple[str, ...] = ()
    if known:
        said = np.array([day_us for day_us in days if day_us is not None], np.int64)
        steps = np.diff(said) % DAY_US
        along = np.concatenate(([0], np.cumsum(np.where(steps <= STEP_MOST_US, steps, 0))))
        ticks = np.rint(np.interp(np.arange(len(days)), known, along)).astype(np.int64)
    else:
        ticks = np.arange(len(days), dtype=np.int64) * 1_000_000
        notes = ("It tells no time: its epochs are taken to be a second apart.",) if epochs else ()
    timed = list(zip(epochs, ticks.tolist(), strict=True))
    fixes = tuple(replace(epoch.fix, tick_us=tick) for epoch, tick in timed)
    skies = tuple(replace(epoch.sky, tick_us=tick) for epoch, tick in timed if epoch.sky is not None)
    return Track(1, fixes, skies=skies), notes


def _day_us(mark: TimeMark) -> int | None:
    """UTC time of day in microseconds, or one that is off by the same whole seconds throughout."""
    if mark.time_of_day_us is not None:
        return mark.time_of_day_us
    if mark.time_of_week_us is None:
        return None
    return (mark.time_of_week_us - USUAL_LEAP_S * 1_000_000) % DAY_US
