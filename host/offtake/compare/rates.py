"""Two rates of rare faults, none at all included."""

from __future__ import annotations

import math
from dataclasses import dataclass

from offtake.compare.session import Counted

CONFIDENCE = 0.95


@dataclass(frozen=True)
class Rates:
    """The 95 % limits of after minus before, as shares, and one-sided probabilities of so much more, or less, by
    chance."""

    low: float
    high: float
    p_more: float
    p_less: float


def compare_rates(before: Counted, after: Counted) -> Rates:
    """Hold two counts against each other; totals must be positive.

    Events come at random (Poisson) and each amounts to as much as those that were seen did. The limits join the exact
    limits of both rates (Garwood 1936) as Newcombe did for proportions ("Interval estimation for the difference between
    independent proportions", 1998; both from memory); the probabilities are the exact conditional binomial ones.
    """
    from scipy import special

    events = before.events + after.events
    size = max((before.amount + after.amount) / events, 1.0) if events else 1.0
    (rate, low, high), (rate_after, low_after, high_after) = _limits(before, size), _limits(after, size)
    difference = rate_after - rate
    share = after.total / (before.total + after.total)
    more = less = 1.0
    if events:
        # At least so many of all events after, and at most so many: tails of the binomial distribution.
        more = float(special.betainc(after.events, before.events + 1, share)) if after.events else 1.0
        less = float(special.betainc(before.events, after.events + 1, 1.0 - share)) if before.events else 1.0
    return Rates(
        difference - math.hypot(rate_after - low_after, high - rate),
        difference + math.hypot(high_after - rate_after, rate - low),
        more, less,
    )  # fmt: skip


def _limits(counted: Counted, size: float) -> tuple[float, float, float]:
    """The rate of what the events amount to, and its exact limits."""
    from scipy import special

    tail = (1.0 - CONFIDENCE) / 2.0
    low = float(special.gammaincinv(counted.events, tail)) if counted.events else 0.0
    high = float(special.gammaincinv(counted.events + 1, 1.0 - tail))
    per = size / counted.total
    # The rate itself is what was counted; its limits are stretched about it. No share is more than the whole.
    rate = counted.amount / counted.total
    return rate, min(low * per, rate), min(1.0, max(high * per, rate))
