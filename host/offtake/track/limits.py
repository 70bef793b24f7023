"""What the analysis of a track takes for possible, each figure with its reason."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

from offtake.errors import UsageError


@dataclass(frozen=True)
class Limits:
    """Limits of :func:`~offtake.track.analyse.analyse`. Lengths are metres, times seconds.

    ``acceleration_m_s2``: about one g. Tyres, hulls and legs cannot do more; a multirotor does only for less than the
    second between two epochs. ``hidden_acceleration_m_s2`` is what a receiver's speed may fail to show between two
    epochs whose speeds are alike. ``noise_factor``: a step this many times the run's own usual disagreement (one sigma
    an axis) is a glitch; by chance alone one in 65 million steps of normal noise would be. It counts up to
    ``noise_most_m``: no receiver is worse from one epoch to the next, so a track that leaps all over is not its own
    measure. ``jump_least_m`` is the least step worth a line where no accuracy is stated; where it is,
    ``jump_accuracies`` times that, within ``jump_stated_m`` (least, greatest). ``after_gap_factor`` widens the noise
    after a gap: a receiver that has just found itself again is worse. ``return_s``: a jump whose opposite comes within
    this time is one glitch with its return.

    ``gap_s``: longer without a position is a gap; ``None`` means 2.5 usual intervals and half a second, so one missing
    epoch is none; ``start_s`` is the same before the first position, where it is longer. ``frozen_s`` and ``frozen_m``:
    identical digits for that long, over that much reported way. ``mismatch_s``, ``mismatch_m``: speed and positions are
    compared over that time and may differ by that much, and by the way of ``speed_lag_s`` at the velocity's change:
    receivers smooth their speed. ``clock_step_s``: steps of the receiver's clock against the ticks up to this, and
    ``clock_rate`` of the time passed (a ceramic resonator's 0.5 %, doubled), are none; up to ``clock_late_s`` they may
    be late output.

    ``moving_m_s`` starts a moving stretch and ``still_m_s`` ends it (a drifting boat makes 0.3, a slow walker 0.8 m/s);
    ``moving_least_s``/``moving_least_m`` and ``still_least_s`` are the shortest stretches told apart;
    ``scatter_fixes`` the least fixes for a scatter. ``climb_m``: heights within this band, or twice the stated
    accuracy, are level.
    """

    acceleration_m_s2: float = 10.0
    hidden_acceleration_m_s2: float = 2.0
    noise_factor: float = 6.0
    noise_most_m: float = 200.0
    jump_least_m: float = 2.0
    jump_accuracies: float = 1.5
    jump_stated_m: tuple[float, float] = (0.3, 6.0)
    after_gap_factor: float = 3.0
    return_s: float = 120.0
    gap_s: float | None = None
    start_s: float = 5.0
    frozen_s: float = 2.0
    frozen_m: float = 3.0
    mismatch_s: float = 10.0
    mismatch_m: float = 8.0
    speed_lag_s: float = 0.5
    clock_step_s: float = 0.3
    clock_late_s: float = 1.5
    clock_rate: float = 0.01
    moving_m_s: float = 0.7
    still_m_s: float = 0.4
    moving_least_s: float = 3.0
    moving_least_m: float = 3.0
    still_least_s: float = 5.0
    scatter_fixes: int = 30
    climb_m: float = 5.0

    def __post_init__(self) -> None:
        for one in fields(self):
            value = getattr(self, one.name)
            for number in value if isinstance(value, tuple) else (value,):
                if number is not None and not (number > 0 and math.isfinite(number)):
                    raise UsageError(f"limit {one.name} is {value}", expected="a positive number")
        if self.still_m_s > self.moving_m_s:
            raise UsageError(
                f"still_m_s {self.still_m_s} is above moving_m_s {self.moving_m_s}", expected="at most as much"
            )

    def gap_after_s(self, interval_s: float | None) -> float:
        """The longest time between positions that is no gap, at epochs every ``interval_s`` seconds."""
        if self.gap_s is not None:
            return self.gap_s
        return 2.5 * (interval_s or 1.0) + 0.5
