"""The probe on an edge recording: bit time, then polarity, framing and dialect."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from offtake.dialects.tables import AnyDialect
from offtake.probe.bit_time import EDGES_LEAST, BitTime, estimate_bit_time
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import LineState, Verdict
from offtake.probe.sample import sample
from offtake.probe.score import BUILT_IN, score_received
from offtake.probe.usual import FRAMINGS, usual_baud
from offtake.probe.verdict import LineFacts, judge

_FLOATING_EDGES_A_SECOND = 500.0
"""Mains hum changes the level some hundred times a second, and a loose contact not much more often."""


def probe_edges(capture: EdgeCapture, dialects: Sequence[AnyDialect] = BUILT_IN) -> Verdict:
    """What the recorded line carries: state, speed, framing, polarity, dialect, and how sure that is."""
    edges = len(capture.times_s)
    if edges == 0:
        return judge([], LineFacts(capture.seconds, edges=0))
    bit = estimate_bit_time(capture.times_s)
    if bit is None:
        return _without_bit(capture)
    baud = usual_baud(bit.baud)
    heard = []
    for inverted in (False, True):
        for framing in FRAMINGS:
            received = sample(capture, bit.baud, framing, inverted=inverted)
            received = dataclasses.replace(received, baud=float(baud))
            heard.append((received, score_received(received, dialects)))
    facts = LineFacts(capture.seconds, edges, bit.baud, bit.spread)
    verdict = judge(heard, facts)
    return dataclasses.replace(verdict, measured_baud=bit.baud, reasons=(*verdict.reasons, _of_bit(bit, baud)))


def _without_bit(capture: EdgeCapture) -> Verdict:
    edges = len(capture.times_s)
    rate = edges / max(capture.seconds, 1e-9)
    if edges < EDGES_LEAST and rate > _FLOATING_EDGES_A_SECOND:
        reason = f"{edges} edges: too few for a bit time."
        return Verdict(LineState.NOT_SURE, 0.0, (reason, "Record longer."), seconds=capture.seconds)
    if rate <= _FLOATING_EDGES_A_SECOND:
        hum = _hum_hz(capture)
        cause = f"regular, at {hum:.0f} Hz: hum" if hum else "irregular: a loose or missing contact"
        reason = f"{edges:,} edges, {rate:.0f} a second, {cause}."
        return Verdict(LineState.FLOATING, 0.8 if edges >= 10 else 0.5, (reason,), seconds=capture.seconds)
    reason = f"{edges:,} edges, {rate:,.0f} a second, and their distances are multiples of no bit."
    return Verdict(LineState.NOISE, 0.8, (reason,), seconds=capture.seconds)


def _hum_hz(capture: EdgeCapture) -> float | None:
    periods = np.diff(capture.times_s[::2])
    if len(periods) < 5:
        return None
    middle = float(np.median(periods))
    regular = np.abs(periods - middle) < 0.1 * middle
    return 1.0 / middle if regular.mean() > 0.8 else None


def _of_bit(bit: BitTime, baud: int) -> str:
    off = 100.0 * (bit.baud / baud - 1.0)
    return (
        f"Bit time {1e6 * bit.seconds:.4g} us from {bit.edges:,} edges (give or take {100 * bit.spread:.2g} %): "
        f"{bit.baud:,.0f} baud, {off:+.1f} % from {baud:,}; jitter {100 * bit.jitter:.1f} % of a bit."
    )
