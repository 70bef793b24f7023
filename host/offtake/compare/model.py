"""What a comparison is made from and what it says. Data only."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

Outcome = Literal["no_harm", "worse", "better", "too_short", "not_comparable"]
Scale = Literal["difference", "ratio"]
"""How a measure is compared: by the difference, or by the ratio (worked on as a logarithm)."""

OUTCOME_WORDS: dict[Outcome, str] = {
    "no_harm": "no harm seen",
    "worse": "worse",
    "better": "better",
    "too_short": "too short to tell",
    "not_comparable": "not comparable",
}


@dataclass(frozen=True)
class Effect:
    """How far after lies from before, on the scale that is worked on (a logarithm for ratios).

    ``se`` is the standard error within the two recordings, ``df`` its degrees of freedom; ``session_sd`` how far two
    sessions differ anyway (one standard deviation of their difference), which no single pair can show.
    """

    value: float
    se: float
    df: float
    session_sd: float

    @property
    def total_se(self) -> float:
        """Both together."""
        return math.hypot(self.se, self.session_sd)

    @property
    def total_df(self) -> float:
        """Degrees of freedom of both together (Welch and Satterthwaite; the session's part is taken as known)."""
        if self.se <= 0.0:
            return math.inf
        return self.df * (self.total_se / self.se) ** 4


@dataclass(frozen=True)
class MeasureKind:
    """A measure's fixed properties: its unit, which direction is harm (``bad`` is +1 where more is worse), the smallest
    difference that matters, and its part of the family's error (``weight``)."""

    key: str
    title: str
    unit: str
    scale: Scale
    bad: int
    matters: float
    digits: int
    weight: float
    why: str

    @property
    def matters_worked(self) -> float:
        """:attr:`matters` on the scale that is worked on."""
        return math.log(self.matters) if self.scale == "ratio" else self.matters


@dataclass(frozen=True)
class Found:
    """One measure before it is judged: the two values as people read them, the effect, or why there is none."""

    kind: MeasureKind
    before: float | None
    after: float | None
    effect: Effect | None = None
    limits: tuple[float, float] | None = None
    """The 95 % interval where it does not come from ``effect``: of rates."""
    p_worse: float | None = None
    p_better: float | None = None
    missing: Outcome = "not_comparable"
    why_not: str = ""
    basis: str = ""
    time_limited: bool = True


@dataclass(frozen=True)
class Measure:
    """One measure, judged. ``difference``, ``low`` and ``high`` are the effect and its 95 % interval in the measure's
    unit (for ratios: after divided by before); ``units`` the same three in units of the smallest difference that
    matters, positive for worse. ``excludes_harm``: the interval excludes a harm of that size."""

    key: str
    title: str
    unit: str
    scale: Scale
    digits: int
    before: float | None
    after: float | None
    difference: float | None
    low: float | None
    high: float | None
    matters: float
    units: tuple[float, float, float] | None
    excludes_harm: bool | None
    p_worse: float | None
    outcome: Outcome
    words: str
    basis: str
    why_matters: str

    @property
    def verdict(self) -> str:
        """The outcome in words."""
        return OUTCOME_WORDS[self.outcome]


@dataclass(frozen=True)
class SatellitePair:
    """One satellite's signal in one or both recordings, for the picture. C/N0 in dB-Hz, elevation in degrees."""

    name: str
    elevation_before_deg: float | None
    elevation_after_deg: float | None
    before_db_hz: float | None
    after_db_hz: float | None


@dataclass(frozen=True)
class SessionWords:
    """What is said of a recording: where it is from and how long."""

    source: str
    kind: str
    run: int | None
    seconds: float
    epochs: int
    moving: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Comparison:
    """All of it. ``paragraph`` is the answer in words, ``advice`` what to do about it."""

    before: SessionWords
    after: SessionWords
    outcome: Outcome
    paragraph: str
    advice: str
    sky: str
    measures: tuple[Measure, ...]
    satellites: tuple[SatellitePair, ...]
    notes: tuple[str, ...] = field(default=())

    @property
    def passed(self) -> bool:
        """Whether no harm was seen by what could see it."""
        return self.outcome in ("no_harm", "better")
