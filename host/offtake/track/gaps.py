"""Stretches of a run without positions, and why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from offtake.track.analysis import Gap, GapReason
from offtake.track.fix import Track
from offtake.track.fixes import FixColumns


@dataclass(frozen=True)
class Before:
    """The last position before a part of a run: its ``row`` in the run (``None``: there was none, and the ticks count
    from power-up), its tick and UTC; ``lost_us`` is the last tick at which bytes were lost before the part, -1 none."""

    row: int | None = None
    tick_us: int = 0
    utc: dt.datetime | None = None
    lost_us: int = -1


def find_gaps(
    track: Track, gap_s: float, start_s: float, interval_s: float | None, losses: Sequence[int], end_tick_us: int | None
) -> tuple[Gap, ...]:
    """Return the gaps longer than ``gap_s`` seconds, from power-up (tick 0) to the run's end.

    Before the first position ``start_s`` counts, if it is longer: a receiver powered with the logger has to start too.
    The end is ``end_tick_us`` or the last epoch, whichever is later. ``losses`` are ticks at which the logger lost
    bytes; a fix that says so counts too. The reason is what most of the gap shows: epochs without a position through at
    least half of it, else lost bytes, else some epochs without a position, else nothing.
    """
    fixes = track.fixes
    end_us = max(int(fixes.tick_us[-1]) if len(fixes) else 0, end_tick_us or 0)
    return gaps_within(track.run, fixes, (gap_s, max(gap_s, start_s)), interval_s, losses, 0, Before(), end_us)


def gaps_within(
    run: int,
    fixes: FixColumns,
    longest_s: tuple[float, float],
    interval_s: float | None,
    losses: Sequence[int],
    number: int,
    before: Before,
    end_us: int | None,
) -> tuple[Gap, ...]:
    """As :func:`find_gaps`, for a part of a run: ``fixes``, the first of which is ``number`` in the run, after the
    position ``before``. The gaps, whose rows are numbered in the run too, end with a position; with ``end_us`` the run
    ends there, in microseconds since power-up. ``longest_s`` are what is no gap, and the same before the first
    position at all."""
    places = np.flatnonzero(fixes.has_position)
    lost = np.sort(
        np.concatenate((np.array([before.lost_us, *losses], dtype=np.int64), fixes.tick_us[fixes.after_loss]))
    )
    # Gap g lies between position g - 1 and position g; the first one begins before the part, the last ends after it.
    starts = np.concatenate(([before.tick_us], fixes.tick_us[places]))
    stops = fixes.tick_us[places] if end_us is None else np.concatenate((fixes.tick_us[places], [end_us]))
    least_us = np.full(len(stops), longest_s[0] * 1e6)
    if before.row is None:
        least_us[:1] = longest_s[1] * 1e6
    gaps = []
    for gap in np.flatnonzero(stops - starts[: len(stops)] > least_us).tolist():
        first = number + int(places[gap - 1]) if gap > 0 else before.row
        last = number + int(places[gap]) if gap < len(places) else None
        start_us, stop_us = int(starts[gap]), int(stops[gap])
        between = (number + len(fixes) if last is None else last) - (0 if first is None else first + 1)
        any_lost = bool(np.searchsorted(lost, stop_us, "right") > np.searchsorted(lost, start_us, "right"))
        expected = (stop_us - start_us) / 1e6 / (interval_s or 1.0)
        gaps.append(
            Gap(
                run=run,
                reason=_reason(between, expected, any_lost),
                start_tick_us=start_us,
                end_tick_us=stop_us,
                start_utc=before.utc if gap == 0 else fixes.utc(int(places[gap - 1])),
                end_utc=None if last is None else fixes.utc(int(places[gap])),
                first=first,
                last=last,
            )
        )
    return tuple(gaps)


def _reason(epochs: int, expected: float, any_lost: bool) -> GapReason:
    if epochs and 2 * epochs >= expected - 1:
        return "no_position"
    if any_lost:
        return "bytes_lost"
    return "no_position" if epochs else "nothing_heard"
