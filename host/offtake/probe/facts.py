"""What the judges of :mod:`offtake.probe.verdict` and :mod:`offtake.probe.undecoded` share."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.probe.model import Framing, LineState, Received, Verdict
from offtake.probe.score import Score

SURPRISE_SURE = 7.0
_SAME_SPEED = 0.03
"""Two speeds this close are read by the same receiver."""

_INVERTED = (
    "Inverted lines are mostly RS-232, with levels below zero that destroy the logger's input: do not connect it."
    " Measure first, and look for the pad before the level converter."
)

Heard = tuple[Received, Score]


@dataclass(frozen=True)
class LineFacts:
    """What is known of the line beside the bytes.

    ``edges`` is None where only bytes are seen (a serial port). ``measured_baud`` comes from the lengths of its bits,
    with ``measured_spread`` its relative uncertainty.
    """

    seconds: float
    edges: int | None = None
    measured_baud: float | None = None
    measured_spread: float = 0.0


def same_setting(one: Received, other: Received) -> bool:
    """Whether both are of one speed and polarity."""
    near = abs(one.baud - other.baud) <= _SAME_SPEED * other.baud
    return near and one.inverted == other.inverted


def setting_text(received: Received) -> str:
    """Speed, framing and polarity for people."""
    return f"{received.baud:,.0f} baud {received.framing}{' inverted' if received.inverted else ''}"


def of_heard(
    state: LineState, certainty: float, reasons: tuple[str, ...], best: Heard, line: LineFacts, *,
    dialects: tuple[str, ...] = (), framing: Framing | None = None, others: tuple[str, ...] = (),
) -> Verdict:  # fmt: skip
    """A verdict that goes by what was heard at one setting."""
    received, score = best
    if received.inverted:
        reasons = (*reasons, _INVERTED)
    return Verdict(
        state=state,
        certainty=certainty,
        reasons=reasons,
        baud=round(received.baud) or None,
        measured_baud=line.measured_baud,
        framing=framing or received.framing,
        inverted=received.inverted,
        dialects=dialects,
        messages=score.messages,
        seconds=received.seconds,
        bytes_heard=score.count,
        bytes_faulty=round(score.faulty_share * score.count),
        checks_right=score.checks_right,
        checks_wrong=score.checks_wrong,
        others=others,
    )
