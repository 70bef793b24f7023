"""A track whose ticks are the receiver's own times, for bytes that nobody timed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from offtake.track.bulk.batch import EpochBatch
from offtake.track.contribution import DAY_US
from offtake.track.fix import Track
from offtake.track.marks import MarkColumns
from offtake.track.moment import USUAL_LEAP_S
from offtake.track.ragged import Indices

STEP_MOST_US = DAY_US // 2
"""A longer step forward is one back."""


def track_by_receiver_time(epochs: EpochBatch) -> tuple[Track, tuple[str, ...]]:
    """Return ``epochs`` as a track with ``tick_us`` counted from the first time of day, and notes on
    what could not be told.

    Epochs without a time are put between their neighbours; times that go back stand still.
    """
    days = _days_us(epochs.marks)
    known = np.flatnonzero(days >= 0)
    notes: tuple[str, ...] = ()
    if len(known):
        steps = np.diff(days[known]) % DAY_US
        along = np.concatenate(([0], np.cumsum(np.where(steps <= STEP_MOST_US, steps, 0))))
        ticks = np.rint(np.interp(np.arange(len(days)), known, along)).astype(np.int64)
    else:
        ticks = np.arange(len(days), dtype=np.int64) * 1_000_000
        notes = ("It tells no time: its epochs are taken to be a second apart.",) if len(days) else ()
    skies = replace(epochs.skies, tick_us=ticks[epochs.skies.fix])
    return Track(1, replace(epochs.fixes, tick_us=ticks), skies=skies), notes


def _days_us(marks: MarkColumns) -> Indices:
    """UTC times of day in microseconds, or ones that are off by the same whole seconds throughout; -1 not told."""
    by_week = np.where(marks.time_of_week_us < 0, -1, (marks.time_of_week_us - USUAL_LEAP_S * 1_000_000) % DAY_US)
    return np.where(marks.time_of_day_us >= 0, marks.time_of_day_us, by_week)
