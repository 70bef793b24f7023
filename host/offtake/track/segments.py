"""Stretches of a track without a gap."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.errors import UsageError
from offtake.track.fix import Fix, Track

GAP_S = 10.0


def split_segments(track: Track, gap_s: float = GAP_S) -> Iterator[list[Fix]]:
    """Yield the fixes with a position, parted wherever more than ``gap_s`` seconds lie between two of them.

    Seconds are the logger's ticks, which run on while the receiver has no fix or bytes are lost.
    Raises :class:`~offtake.errors.UsageError` when ``gap_s`` is not positive.
    """
    if not gap_s > 0:
        raise UsageError(f"a gap of {gap_s} s", expected="a positive number of seconds")
    segment: list[Fix] = []
    for fix in track.fixes:
        if not fix.has_position:
            continue
        if segment and fix.tick_us - segment[-1].tick_us > gap_s * 1e6:
            yield segment
            segment = []
        segment.append(fix)
    if segment:
        yield segment
