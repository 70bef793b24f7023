"""Whether a verdict on a line is right, and if not, in what it is wrong."""

from __future__ import annotations

from enum import StrEnum

from offtake.probe.model import LineState, Verdict
from probe_lines import FLOATING, NOISE, QUIET, Case
from probe_streams import KNOWN, UNKNOWN

SPEED_OFF_MOST = 0.02
"""Relative; a receiver's clock in these lines is up to 1.5 % off, and either speed reads it."""


class Outcome(StrEnum):
    """What a verdict is worth. ``RIGHT`` is right in all it says; ``NOT_SURE`` claims nothing."""

    RIGHT = "right"
    NOT_SURE = "not sure"
    SPEED = "speed"
    DIALECT = "dialect"
    FRAMING = "framing"
    POLARITY = "turned"
    ALARM = "alarm"
    """Data on a line that carries none."""
    STATE = "state"
    """Silence or a loose tip where a receiver talks, or one of them for the other."""


WRONG = tuple(one for one in Outcome if one not in (Outcome.RIGHT, Outcome.NOT_SURE))


def outcome(case: Case, verdict: Verdict, *, can_invert: bool) -> Outcome:
    """Judges ``verdict`` on ``case``; ``can_invert`` says whether the way that it came could turn the line over (a
    serial adapter cannot)."""
    if verdict.state is LineState.NOT_SURE:
        return Outcome.NOT_SURE
    if case.kind in QUIET or case.kind in FLOATING or case.kind in NOISE:
        return _of_no_data(case, verdict)
    return _of_data(case, verdict, can_invert)


def _of_no_data(case: Case, verdict: Verdict) -> Outcome:
    if verdict.state in (LineState.UNDERSTOOD, LineState.DATA, LineState.OTHER_SPEED):
        # A clocked bus has a bit, and to name that is no mistake; to name bytes is.
        named_bit = verdict.state is LineState.OTHER_SPEED and case.kind in ("clock", "other_bus")
        return Outcome.NOT_SURE if named_bit else Outcome.ALARM
    if case.kind in QUIET:
        return Outcome.RIGHT if verdict.state is LineState.SILENT else Outcome.STATE
    if case.kind in FLOATING:
        return Outcome.RIGHT if verdict.state is LineState.FLOATING else Outcome.STATE
    return Outcome.RIGHT if verdict.state is LineState.NOISE else Outcome.STATE


def _of_data(case: Case, verdict: Verdict, can_invert: bool) -> Outcome:
    if verdict.state in (LineState.SILENT, LineState.FLOATING):
        return Outcome.STATE
    if verdict.state is LineState.NOISE:
        # True of a line whose bits are mostly wrong, or that is upside down; it names no setting.
        return Outcome.NOT_SURE
    if verdict.state is LineState.OTHER_SPEED:
        near = verdict.measured_baud is not None and _near(verdict.measured_baud, case.baud)
        return Outcome.NOT_SURE if near else Outcome.SPEED
    if case.inverted and not can_invert:
        return Outcome.POLARITY
    return _of_setting(case, verdict)


def _of_setting(case: Case, verdict: Verdict) -> Outcome:
    if verdict.baud is None or not _near(verdict.baud, case.baud):
        return Outcome.SPEED
    if bool(verdict.inverted) != case.inverted:
        return Outcome.POLARITY
    known = KNOWN.get(case.kind, ())
    # A line that says too little in one of its dialects may leave that one out, but not all.
    if not set(verdict.dialects) <= set(known) or bool(verdict.dialects) != bool(known):
        lost = case.kind not in UNKNOWN and verdict.state is LineState.DATA
        return Outcome.NOT_SURE if lost else Outcome.DIALECT
    if verdict.framing is None or not _same_framing(str(case.framing), str(verdict.framing)):
        return Outcome.FRAMING
    return Outcome.RIGHT


def _same_framing(true: str, told: str) -> bool:
    # Two stop bits look like one and a pause, and one reads both.
    return true[:2] == told[:2] and told[2] in (true[2], "1")


def _near(told: float, true: float) -> bool:
    return abs(told - true) <= SPEED_OFF_MOST * true
