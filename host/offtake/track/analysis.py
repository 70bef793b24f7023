"""What is found in a track: gaps, glitches, stays and the figures of the whole. Data only."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

GapReason = Literal["no_position", "nothing_heard", "bytes_lost"]
GlitchKind = Literal["jump", "speed_mismatch", "time_backwards", "time_jump", "frozen"]
StretchKind = Literal["moving", "stationary"]


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without positions. ``no_position``: epochs came, without one; ``bytes_lost``: the logger lost bytes in
    it; ``nothing_heard``: neither. ``first`` and ``last`` are the indices of the fixes before and after it (``None`` at
    the run's ends)."""

    run: int
    reason: GapReason
    start_tick_us: int
    end_tick_us: int
    start_utc: dt.datetime | None
    end_utc: dt.datetime | None
    first: int | None
    last: int | None

    @property
    def seconds(self) -> float:
        """Length by the logger's ticks, in seconds."""
        return (self.end_tick_us - self.start_tick_us) / 1e6


@dataclass(frozen=True, slots=True)
class Glitch:
    """Fixes ``first`` to ``last`` (indices into the track, both included) that cannot be right, and why.

    ``evidence`` are named figures (unit at the name's end), ``text`` says it in one sentence. Nothing is taken out of
    the track for it.
    """

    run: int
    kind: GlitchKind
    first: int
    last: int
    start_tick_us: int
    end_tick_us: int
    start_utc: dt.datetime | None
    evidence: tuple[tuple[str, float], ...]
    text: str


@dataclass(frozen=True, slots=True)
class Scatter:
    """Scatter of positions at rest, in metres in the local east-north plane around their mean.

    ``cep50_m`` and ``r95_m`` are the radii about the mean that hold 50 and 95 % of the fixes (empirical quantiles);
    ``drms_m`` is the root of the two variances' sum, ``two_drms_m`` twice that. ``drift_east_m_h`` and
    ``drift_north_m_h`` are the slopes of a straight line through the stay, in metres an hour.
    """

    fixes: int
    latitude_deg: float
    longitude_deg: float
    variance_east_m2: float
    variance_north_m2: float
    covariance_m2: float
    cep50_m: float
    r95_m: float
    drms_m: float
    two_drms_m: float
    drift_east_m_h: float
    drift_north_m_h: float


@dataclass(frozen=True, slots=True)
class Stretch:
    """Fixes ``first`` to ``last`` (indices, both included) in one state; long enough stationary ones have a
    ``scatter``."""

    run: int
    kind: StretchKind
    first: int
    last: int
    start_tick_us: int
    end_tick_us: int
    start_utc: dt.datetime | None
    end_utc: dt.datetime | None
    distance_m: float
    scatter: Scatter | None

    @property
    def seconds(self) -> float:
        """Length by the logger's ticks, in seconds."""
        return (self.end_tick_us - self.start_tick_us) / 1e6


@dataclass(frozen=True, slots=True)
class Spread:
    """A quantity over a run: how many values, and their figures in the quantity's unit."""

    count: int
    least: float
    median: float
    mean: float
    p95: float
    greatest: float


@dataclass(frozen=True)
class Analysis:
    """Everything found in one run's track. ``interval_s`` is the usual time between epochs.

    ``distance_m`` is the sum of geodesics over the moving stretches' good fixes, ``climb_m`` and ``descent_m`` heights
    gained and lost with hysteresis. ``course_mean_deg`` is the circular mean while moving, ``course_resultant`` its
    resultant length, 0 to 1. ``quality_counts`` are epochs by fix quality (``none`` included).
    """

    run: int
    interval_s: float | None
    gaps: tuple[Gap, ...] = ()
    glitches: tuple[Glitch, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    distance_m: float = 0.0
    climb_m: float | None = None
    descent_m: float | None = None
    moving_s: float = 0.0
    stationary_s: float = 0.0
    speed_m_s: Spread | None = None
    course_mean_deg: float | None = None
    course_resultant: float | None = None
    satellites_used: Spread | None = None
    hdop: Spread | None = None
    horizontal_accuracy_m: Spread | None = None
    cn0_db_hz: Spread | None = None
    quality_counts: tuple[tuple[str, int], ...] = ()
