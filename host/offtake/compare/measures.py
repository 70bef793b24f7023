"""The measures, each from two sessions to an effect with its standard error, or to a reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from offtake.compare import kinds
from offtake.compare.carrier import Carrier
from offtake.compare.model import Effect, Found, MeasureKind
from offtake.compare.rates import compare_rates
from offtake.compare.series import Mean, mean_of
from offtake.compare.session import HORIZON_DEG, Counted, Session, Stay
from offtake.report import text
from offtake.track.geodesy import Floats

EFFECTIVE_LEAST = 2.0
"""A series worth fewer independent values says nothing of how well its mean is known."""
SECONDS_LEAST = 120.0
"""Reflections change over up to minutes: a shorter recording has seen one state of them, however still it looks."""
QUICKEST_S = 20.0
"""Nothing of the sky changes quicker, so values closer together are no independent ones, whatever they look like."""
STARTS_LEAST = 3
SKY_UNKNOWN = "the satellites' directions are not told, so the sky may have differed"
MOTION_DIFFERS = "one recording was made on the move, the other at rest"


@dataclass(frozen=True)
class Both:
    """The two sessions, and what they have in common."""

    before: Session
    after: Session
    same_sky: bool | None

    @property
    def motion_differs(self) -> bool:
        """One was moving, the other not."""
        return self.before.moving != self.after.moving

    def session_sd(self, kind: MeasureKind) -> float:
        """How far the two differ anyway."""
        return kinds.session_sd(kind, self.same_sky, self.before.moving or self.after.moving)


def carrier(both: Both, found: Carrier | None) -> Found:
    """C/N0."""
    kind = kinds.CARRIER
    if found is None:
        return Found(kind, None, None, why_not="no C/N0 with elevations in both recordings")
    shown = Found(kind, found.before_db_hz, found.after_db_hz)
    if both.motion_differs:
        return _without(shown, MOTION_DIFFERS)
    if not found.enough:
        words = f"{found.alike + found.elsewhere} satellites in both, {found.single} in one only"
        return Found(kind, shown.before, shown.after, missing="too_short", why_not=f"too few satellites: {words}")
    effect = Effect(found.step_db, found.se_db, found.df, both.session_sd(kind))
    parts = [
        (found.alike, "seen in both at like elevations"),
        (found.elsewhere, "in both at others"),
        (found.single, "in one only, compared by elevation"),
    ]
    basis = "satellites: " + ", ".join(f"{count} {words}" for count, words in parts if count)
    return Found(kind, shown.before, shown.after, effect, basis=basis, time_limited=found.se_db > effect.session_sd)


def used(both: Both, random: np.random.Generator) -> Found:
    """Satellites used, less those that the sky offered."""
    before, after = both.before, both.after
    offered = [_mean(one.available, one.used) for one in (before, after)]
    basis = f"{offered[0]:.1f} and {offered[1]:.1f} stood {HORIZON_DEG:.0f}° up or higher; taken into account"
    values = (before.used - before.available, after.used - after.available)
    return _series(kinds.USED, both, (before.used, after.used), values, random, basis)


def dilution(both: Both, random: np.random.Generator) -> Found:
    """Dilution, over what the sky's geometry offered."""
    return _over_geometry(kinds.DILUTION, both, (both.before.hdop, both.after.hdop), random)


def accuracy(both: Both, random: np.random.Generator) -> Found:
    """The accuracy the receiver states, over what the sky's geometry offered."""
    return _over_geometry(kinds.ACCURACY, both, (both.before.accuracy_m, both.after.accuracy_m), random)


def _over_geometry(kind: MeasureKind, both: Both, raw: tuple[Floats, Floats], random: np.random.Generator) -> Found:
    geometry = both.before.geometry, both.after.geometry
    offered = [_mean(one, values) for one, values in zip(geometry, raw, strict=True)]
    basis = (
        f"all satellites {HORIZON_DEG:.0f}° up or higher would give a dilution of {offered[0]:.2f} and"
        f" {offered[1]:.2f}; taken into account"
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        values = np.log(raw[0] / geometry[0]), np.log(raw[1] / geometry[1])
    return _series(kind, both, raw, values, random, basis)


def _series(
    kind: MeasureKind, both: Both, raw: tuple[Floats, Floats], values: tuple[Floats, Floats],
    random: np.random.Generator, basis: str,
) -> Found:  # fmt: skip
    logs = kind.scale == "ratio"
    shown = [_shown_mean(one, logs) for one in raw]
    found = Found(kind, shown[0], shown[1], basis=basis)
    if shown[0] is None or shown[1] is None:
        return _without(found, "not told in both recordings")
    if both.motion_differs:
        return _without(found, MOTION_DIFFERS)
    if not all(np.any(np.isfinite(one)) for one in values):
        return _without(found, SKY_UNKNOWN)
    means = [mean_of(one.time_s, part, random) for one, part in zip((both.before, both.after), values, strict=True)]
    return _of_means(found, both, means, [both.before.seconds, both.after.seconds], 1.0)


def _of_means(
    found: Found, both: Both, means: Sequence[Mean | None], lengths: Sequence[float], part: float
) -> Found:
    one, other = means
    if one is None or other is None or min(lengths) < SECONDS_LEAST:
        words = f"at least {SECONDS_LEAST:.0f} s in both recordings are needed"
        return Found(found.kind, found.before, found.after, missing="too_short", why_not=words, basis=found.basis)
    if min(one.effective, other.effective) < EFFECTIVE_LEAST:
        words = (
            f"values change over {max(one.tau_s, other.tau_s):.0f} s, so this is worth about "
            f"{text.plural(round(min(one.effective, other.effective)), 'independent value')}"
        )
        return Found(found.kind, found.before, found.after, missing="too_short", why_not=words, basis=found.basis)
    session = both.session_sd(found.kind)
    dfs = [min(mean.df, length / QUICKEST_S) for mean, length in zip((one, other), lengths, strict=True)]
    effect = _welch(part * (other.value - one.value), part * one.se, dfs[0], part * other.se, dfs[1], session)
    return Found(
        found.kind, found.before, found.after, effect, basis=found.basis, time_limited=effect.se > session
    )  # fmt: skip


def _welch(value: float, se_one: float, df_one: float, se_other: float, df_other: float, session: float) -> Effect:
    """A difference of two means; degrees of freedom as Welch and Satterthwaite have them (from memory)."""
    se = math.hypot(se_one, se_other)
    if se == 0.0:
        return Effect(value, 0.0, df_one + df_other, session)
    return Effect(value, se, se**4 / (se_one**4 / df_one + se_other**4 / df_other), session)


def scatter(both: Both, random: np.random.Generator) -> Found:
    """Scatter at rest over equally long stays: DRMS, the root of the mean square distance from the mean."""
    kind = kinds.SCATTER
    one, other = both.before.stay, both.after.stay
    if one is None or other is None:
        return Found(kind, None, None, why_not="no stay at rest long enough in both recordings")
    length = min(one.time_s[-1] - one.time_s[0], other.time_s[-1] - other.time_s[0])
    parts = [_first(stay, float(length)) for stay in (one, other)]
    squares = [float((radius**2).mean()) for _, radius in parts]
    found = Found(
        kind, math.sqrt(squares[0]), math.sqrt(squares[1]),
        basis=f"DRMS over {length / 60:.0f} min at rest; R95 {one.r95_m:.2f} and {other.r95_m:.2f} m",
    )  # fmt: skip
    if min(squares) <= 0.0:
        return _without(found, "the positions stood still to the last digit")
    sessions = (both.before, both.after)
    offered = [_mean_log(session, time_s) for session, (time_s, _) in zip(sessions, parts, strict=True)]
    # The mean of the squares over itself, so that its standard error is relative; half of it is the root's logarithm.
    relative = [(time_s, radius**2 / square) for (time_s, radius), square in zip(parts, squares, strict=True)]
    means = [mean_of(time_s, values, random) for time_s, values in relative]
    judged = _of_means(found, both, means, [float(time_s[-1] - time_s[0]) for time_s, _ in parts], 0.5)
    if judged.effect is None:
        return judged
    sky = 0.0 if not np.all(np.isfinite(offered)) else offered[1] - offered[0]
    value = 0.5 * math.log(squares[1] / squares[0]) - sky
    effect = Effect(value, judged.effect.se, judged.effect.df, judged.effect.session_sd)
    return Found(kind, found.before, found.after, effect, basis=found.basis, time_limited=judged.time_limited)


def _first(stay: Stay, length: float) -> tuple[Floats, Floats]:
    kept = stay.time_s <= stay.time_s[0] + length + 1e-6
    return stay.time_s[kept], stay.radius_m[kept]


def _mean_log(session: Session, time_s: Floats) -> float:
    inside = (session.time_s >= time_s[0]) & (session.time_s <= time_s[-1])
    known = session.geometry[inside]
    known = known[np.isfinite(known) & (known > 0.0)]
    return float(np.log(known).mean()) if len(known) else math.nan


def starts(both: Both) -> Found:
    """Time to first fix: one value a run."""
    kind = kinds.START
    sessions = (both.before, both.after)
    sides = [[one.seconds for one in session.starts if one.seconds is not None] for session in sessions]
    shown = [float(np.exp(np.log(side).mean())) if side else None for side in sides]
    if not sides[0] or not sides[1]:
        return Found(kind, shown[0], shown[1], why_not="no start of the receiver in both recordings")
    if min(len(side) for side in sides) < STARTS_LEAST:
        words = (
            "one start each: cannot tell" if max(len(side) for side in sides) == 1
            else f"{len(sides[0])} and {len(sides[1])} starts: cannot tell"
        )  # fmt: skip
        why = f"{words}; {STARTS_LEAST} each are needed, all cold or all warm"
        return Found(kind, shown[0], shown[1], missing="too_short", why_not=why)
    logs = [np.log(side) for side in sides]
    errors = [float(one.std(ddof=1)) / math.sqrt(len(one)) for one in logs]
    # Starts that happen to be alike do not make the next one so.
    errors = [max(error, 0.1 / math.sqrt(len(one))) for error, one in zip(errors, logs, strict=True)]
    value = float(logs[1].mean() - logs[0].mean())
    effect = _welch(value, errors[0], len(logs[0]) - 1.0, errors[1], len(logs[1]) - 1.0, 0.0)
    return Found(kind, shown[0], shown[1], effect, basis=f"{len(logs[0])} and {len(logs[1])} starts")


def checks(both: Both) -> Found:
    """Messages whose check failed, a thousand."""
    before, after = both.before.checks, both.after.checks
    words = f"{before.amount:,.0f} of {before.total:,.0f} messages, then {after.amount:,.0f} of {after.total:,.0f}"
    return _rate(kinds.CHECKS, before, after, 1000.0, words)


def gaps(both: Both) -> Found:
    """Share of the time without a position, the logger's own losses and the start left out."""
    before, after = both.before.gaps, both.after.gaps
    words = (
        f"{before.events} gaps in {before.total / 60:.0f} min, then {after.events} in {after.total / 60:.0f} min"
    )
    found = _rate(kinds.GAPS, before, after, 100.0, words)
    return _without(found, MOTION_DIFFERS) if both.motion_differs else found


def _rate(kind: MeasureKind, before: Counted, after: Counted, scale: float, words: str) -> Found:
    if before.total <= 0.0 or after.total <= 0.0:
        return Found(kind, None, None, why_not="nothing to count in both recordings")
    rates = compare_rates(before, after)
    return Found(
        kind, scale * before.amount / before.total, scale * after.amount / after.total, basis=words,
        limits=(scale * rates.low, scale * rates.high), p_worse=rates.p_more, p_better=rates.p_less,
    )  # fmt: skip


def _without(found: Found, why: str) -> Found:
    return Found(found.kind, found.before, found.after, why_not=why, basis="")


def _shown_mean(values: Floats, logs: bool) -> float | None:
    known = values[np.isfinite(values)]
    if not len(known):
        return None
    return float(np.exp(np.log(known).mean())) if logs else float(known.mean())


def _mean(values: Floats, where: Floats) -> float:
    known = values[np.isfinite(values) & np.isfinite(where)]
    return float(known.mean()) if len(known) else math.nan
