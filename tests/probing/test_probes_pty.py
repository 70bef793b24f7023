"""The probe on a real serial port in real time: a line behind a pseudo-terminal, from silence to the verdict.

Pseudo-terminals pass no marks for faulty bytes and no parity, so these lines are 8N1; the marks are tried in
test_probe_walk.py.
"""

from __future__ import annotations

import pytest
from offtake.bench.line_port import LinePort
from offtake.probe.listen import SerialListener
from offtake.probe.model import FRAMING_USUAL, LineState
from offtake.probe.walk import Walk
from probe_lines import Case, capture_of, settings_of
from probe_listeners import wire_of
from probe_streams import KNOWN
from probe_verdicts import Outcome, outcome

WALK_S = 15.0
"""A computer with much else to do is slow; hardly any of it is needed."""


def busy_case(kind: str, baud: int) -> Case:
    """One that speaks five times a second or more: a short walk finds it."""
    cases = (Case(kind, baud, errors=1e-4, seed=seed) for seed in range(100))
    return next(case for case in cases if kind == "mixed" or settings_of(case).rate_hz >= 5)


@pytest.mark.parametrize(("kind", "baud"), [("text", 9_600), ("b562", 115_200), ("rtcm3", 38_400), ("mixed", 57_600)])
def test_a_walk_on_a_port_finds_speed_and_dialects(kind: str, baud: int) -> None:
    case = busy_case(kind, baud)
    with LinePort(wire_of(capture_of(case, 6.0))) as line, SerialListener(line.port) as listener:
        walk = Walk(listener)
        verdict = walk.step()
        while not walk.settled and walk.listened_s < WALK_S:
            verdict = walk.step()
        assert walk.settled, verdict
        assert outcome(case, verdict, can_invert=False) is Outcome.RIGHT, verdict
        assert verdict.state is LineState.UNDERSTOOD
        assert set(verdict.dialects) <= set(KNOWN[kind])
        assert line.written == 0, "the probe only listens"


def test_a_silent_port_is_silent() -> None:
    wire = wire_of(capture_of(Case("silent_high"), 1.0))
    with LinePort(wire) as line, SerialListener(line.port) as listener:
        walk = Walk(listener)
        while walk.listened_s < 1.8:
            verdict = walk.step()
    assert verdict.state is LineState.SILENT
    assert not walk.settled


def test_the_port_hears_the_very_bytes_at_the_right_speed_and_others_at_a_wrong_one() -> None:
    case = busy_case("text", 57_600)
    with LinePort(wire_of(capture_of(case, 3.0))) as line, SerialListener(line.port) as listener:
        right = listener.hear(57_600, FRAMING_USUAL, 0.6)
        wrong = listener.hear(9_600, FRAMING_USUAL, 0.6)
    assert b"$GNRMC," in right.data
    assert right.data.count(b"\r\n") >= 2
    assert len(wrong.values) > 5
    assert b"$GN" not in wrong.data
