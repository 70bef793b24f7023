"""Stretches of a run without positions, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from offtake.track.analysis import Gap, GapReason
from offtake.track.fix import Track


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
    places = [number for number, fix in enumerate(fixes) if fix.has_position]
    end_us = max(fixes[-1].tick_us if fixes else 0, end_tick_us or 0)
    lost = np.sort(np.array([*losses, *(fix.tick_us for fix in fixes if fix.after_loss)], dtype=np.int64))
    bounds: list[tuple[int | None, int | None]] = list(zip([None, *places], [*places, None], strict=True))
    gaps = []
    for first, last in bounds:
        start_us = 0 if first is None else fixes[first].tick_us
        stop_us = end_us if last is None else fixes[last].tick_us
        if stop_us - start_us <= (max(gap_s, start_s) if first is None else gap_s) * 1e6:
            continue
        between = range(0 if first is None else first + 1, len(fixes) if last is None else last)
        any_lost = bool(np.searchsorted(lost, stop_us, "right") > np.searchsorted(lost, start_us, "right"))
        expected = (stop_us - start_us) / 1e6 / (interval_s or 1.0)
        gaps.append(
            Gap(
                run=track.run,
                reason=_reason(len(between), expected, any_lost),
                start_tick_us=start_us,
                end_tick_us=stop_us,
                start_utc=None if first is None else fixes[first].utc,
                end_utc=None if last is None else fixes[last].utc,
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
