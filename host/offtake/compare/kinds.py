"""What is compared, and the smallest difference of each that matters. The choices are ours; each has its reason."""

from __future__ import annotations

from offtake.compare.model import MeasureKind

CARRIER = MeasureKind(
    "cn0", "C/N0", "dB", "difference", -1, 1.0, 1, 0.5,
    "1 dB is a fifth of the signal's power and shows in nothing else under an open sky; 2 dB cost satellites near"
    " the horizon",
)  # fmt: skip
USED = MeasureKind(
    "used", "satellites used", "", "difference", -1, 2.0, 1, 0.1, "one comes and goes with the horizon; two are missed"
)
DILUTION = MeasureKind(
    "hdop", "dilution (HDOP)", "", "ratio", 1, 1.2, 2, 0.08, "a fifth more is as much more error of every position"
)
ACCURACY = MeasureKind(
    "accuracy", "accuracy said", "m", "ratio", 1, 1.25, 2, 0.08, "receivers' own estimates are no better than that"
)
SCATTER = MeasureKind(
    "scatter", "scatter at rest", "m", "ratio", 1, 1.5, 2, 0.06,
    "the scatter of one receiver at one place changes by that with the sky and the hour",
)  # fmt: skip
START = MeasureKind(
    "ttff", "time to first fix", "s", "ratio", 1, 1.5, 1, 0.06, "starts of one receiver differ by that anyway"
)
CHECKS = MeasureKind(
    "checks", "bad checks", "in 1000", "difference", 1, 2.0, 2, 0.06, "more than one wrong message in 500 is a fault"
)
GAPS = MeasureKind("gaps", "gaps", "%", "difference", 1, 2.0, 2, 0.06, "more than a minute lost in an hour is noticed")

KINDS = (CARRIER, USED, DILUTION, ACCURACY, SCATTER, START, CHECKS, GAPS)

# How far two sessions of one receiver differ anyway, as one standard deviation of their difference on the scale that
# is worked on, under the same sky and under another one. Estimates: no pair of recordings can show it. C/N0: 0.2 dB a
# session for temperature and for where exactly the antenna lay.
SESSION_SD = {
    "cn0": (0.3, 0.3),
    "used": (0.3, 0.5),
    "hdop": (0.04, 0.06),
    "accuracy": (0.06, 0.08),
    "scatter": (0.20, 0.25),
    "ttff": (0.0, 0.0),
}
MOVING_FACTOR = 2.0
"""On the move houses and trees come and go: sessions differ by so many times as much."""


def session_sd(kind: MeasureKind, same_sky: bool | None, moving: bool) -> float:
    """How far two sessions differ anyway in ``kind``."""
    same, other = SESSION_SD[kind.key]
    return (same if same_sky else other) * (MOVING_FACTOR if moving else 1.0)
