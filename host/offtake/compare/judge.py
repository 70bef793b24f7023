"""From two sessions to a verdict on each measure and on the whole."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from offtake.compare import measures, words
from offtake.compare.carrier import compare_carrier, same_sky
from offtake.compare.model import Comparison, Found, Measure, Outcome, SessionWords
from offtake.compare.session import Session

FAMILY_ERROR = 0.04
"""Chance of calling any measure worse where none is: below the 5 % that are promised, since standard errors and
allowances are estimates."""
CONFIDENCE = 0.95
DF_MOST = 1e6
"""Student's distribution with so many degrees of freedom is the normal one."""
HALF = 0.5
"""What is surely there, but less than this part of what matters, is called no harm."""
PRIMARY = ("cn0", "used")
"""The first of these that can be compared decides whether enough was seen to speak of no harm."""


def compare(before: Session, after: Session, *, seed: int = 1) -> Comparison:
    """Hold ``after`` against ``before``. The same sessions and ``seed`` give the same answer."""
    random = np.random.default_rng(seed)
    both = measures.Both(before, after, same_sky(before, after))
    satellites = compare_carrier(before, after, random)
    found = (
        measures.carrier(both, satellites),
        measures.used(both, random),
        measures.dilution(both, random),
        measures.accuracy(both, random),
        measures.scatter(both, random),
        measures.starts(both),
        measures.checks(both),
        measures.gaps(both),
    )
    tested = [with_probabilities(one) for one in found]
    worse = holm([one.p_worse for one in tested], [one.kind.weight for one in tested])
    better = holm([one.p_better for one in tested], [one.kind.weight for one in tested])
    judged = tuple(judge(one, *surely) for one, *surely in zip(tested, worse, better, strict=True))
    outcome = overall(judged)
    return Comparison(
        before=_session_words(before),
        after=_session_words(after),
        outcome=outcome,
        paragraph=words.paragraph(outcome, judged, satellites),
        advice=words.advice(outcome, judged),
        sky=words.sky(both.same_sky),
        measures=judged,
        satellites=satellites.pairs if satellites else (),
        notes=words.notes(both),
    )


def with_probabilities(found: Found) -> Found:
    """Fill in, from the effect, how probable one so far to either side is where nothing changed."""
    if found.effect is None:
        return found
    from scipy import special

    effect, kind = found.effect, found.kind
    if not math.isfinite(effect.value) or not math.isfinite(effect.se):
        return Found(kind, found.before, found.after, why_not="its values make no sense", basis=found.basis)
    harm = kind.bad * effect.value
    score = harm / effect.total_se if effect.total_se > 0.0 else math.copysign(math.inf, harm)
    df = min(effect.total_df, DF_MOST)
    low, high = float(special.stdtr(df, -score)), float(special.stdtr(df, score))
    half = float(special.stdtrit(df, 0.5 + CONFIDENCE / 2.0)) * effect.total_se
    return Found(
        kind, found.before, found.after, effect, (effect.value - half, effect.value + half), low, high,
        found.missing, found.why_not, found.basis, found.time_limited,
    )  # fmt: skip


def holm(probabilities: Sequence[float | None], weights: Sequence[float], error: float = FAMILY_ERROR) -> list[bool]:
    """Which hypotheses fall so that the chance of one falling wrongly is at most ``error`` (Holm, "A simple
    sequentially rejective multiple test procedure", 1979, with weights; from memory). ``None`` is not tested."""
    left = [place for place, one in enumerate(probabilities) if one is not None]
    left.sort(key=lambda place: (probabilities[place] or 0.0) / weights[place])
    falls = [False] * len(probabilities)
    while left:
        place = left[0]
        if (probabilities[place] or 0.0) > error * weights[place] / sum(weights[one] for one in left):
            break
        falls[place] = True
        left = left[1:]
    return falls


def judge(found: Found, surely_worse: bool, surely_better: bool) -> Measure:
    """Give one measure its verdict."""
    kind = found.kind
    if found.limits is None:
        return _measure(found, None, None, found.missing)
    value = found.effect.value if found.effect else (found.after or 0.0) - (found.before or 0.0)
    harm = sorted(kind.bad * one / kind.matters_worked for one in found.limits)
    middle = kind.bad * value / kind.matters_worked
    outcome: Outcome = "too_short"
    if surely_worse and middle >= HALF:
        outcome = "worse"
    elif surely_better and middle <= -HALF:
        outcome = "better"
    elif harm[1] < 1.0:
        outcome = "no_harm"
    return _measure(found, (value, *found.limits), (middle, harm[0], harm[1]), outcome)


def _measure(
    found: Found,
    effect: tuple[float, float, float] | None,
    units: tuple[float, float, float] | None,
    outcome: Outcome,
) -> Measure:
    kind = found.kind
    shown = [None, None, None] if effect is None else [
        math.exp(min(one, 700.0)) if kind.scale == "ratio" else one for one in effect
    ]  # fmt: skip
    alone = units is not None and units[1] > 0.0
    return Measure(
        key=kind.key, title=kind.title, unit=kind.unit, scale=kind.scale, digits=kind.digits,
        before=found.before, after=found.after, difference=shown[0], low=shown[1], high=shown[2],
        matters=kind.matters, units=units, excludes_harm=None if units is None else units[2] < 1.0,
        p_worse=found.p_worse, outcome=outcome, words=words.effect(found, shown, outcome, alone), basis=found.basis,
        why_matters=kind.why,
    )  # fmt: skip


def overall(judged: Sequence[Measure]) -> Outcome:
    """The whole: worse where any is; no harm where the primary measure says so; else what keeps it from that."""
    if any(one.outcome == "worse" for one in judged):
        return "worse"
    by_key = {one.key: one for one in judged}
    for key in PRIMARY:
        if by_key[key].outcome in ("no_harm", "better"):
            return "no_harm"
        if by_key[key].outcome == "too_short":
            return "too_short"
    return "not_comparable"


def _session_words(one: Session) -> SessionWords:
    return SessionWords(one.source, one.kind, one.run, one.seconds, len(one.time_s), one.moving, one.notes)
