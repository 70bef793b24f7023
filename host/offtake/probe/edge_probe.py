"""The probe on an edge recording: bit time, then polarity, framing and dialect.

Where spikes or jitter hide the bit time, the usual speeds are tried, and count if a dialect speaks at one of them.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from itertools import product

import numpy as np

from offtake.dialects.tables import AnyDialect
from offtake.probe.bit_time import EDGES_LEAST, BitTime, estimate_bit_time
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import LineState, Verdict
from offtake.probe.sample import sample
from offtake.probe.score import BUILT_IN, score_received
from offtake.probe.usual import FRAMINGS, ODD_BAUDS, USUAL_BAUDS, usual_baud
from offtake.probe.verdict import LineFacts, judge

_FLOATING_EDGES_A_SECOND = 500.0
"""Mains hum changes the level some hundred times a second, and a loose contact not much more often."""
_APART_S = 2e-3
"""Edges closer than this are of one burst: bits of any speed in use are, and the chatter of a slow crossing is."""
_HUM_HZ = (20.0, 500.0)
_EDGES_TRIED = 50_000
_ASYMMETRY_SAID = 0.05


def probe_edges(capture: EdgeCapture, dialects: Sequence[AnyDialect] = BUILT_IN) -> Verdict:
    """What the recorded line carries: state, speed, framing, polarity, dialect, and how sure that is."""
    edges = len(capture.times_s)
    if edges == 0:
        return judge([], LineFacts(capture.seconds, edges=0))
    bit = estimate_bit_time(capture.times_s)
    if bit is None:
        return _by_trial(capture, dialects) or _without_bit(capture)
    baud = usual_baud(bit.baud)
    heard = []
    for inverted in (False, True):
        for framing in FRAMINGS:
            received = sample(capture, bit.baud, framing, inverted=inverted)
            received = dataclasses.replace(received, baud=float(baud))
            heard.append((received, score_received(received, dialects)))
    facts = LineFacts(capture.seconds, edges, bit.baud, bit.spread)
    verdict = judge(heard, facts)
    return dataclasses.replace(verdict, measured_baud=bit.baud, reasons=(*verdict.reasons, _of_bit(bit, baud, capture)))


def _by_trial(capture: EdgeCapture, dialects: Sequence[AnyDialect]) -> Verdict | None:
    """The verdict at a usual speed at which a dialect speaks; None where none does."""
    times = capture.times_s[:_EDGES_TRIED]
    ended_s = capture.ended_s if len(times) == len(capture.times_s) else float(times[-1])
    part = dataclasses.replace(capture, times_s=times, ended_s=ended_s)
    heard = []
    for baud, inverted in product((*USUAL_BAUDS, *ODD_BAUDS), (False, True)):
        received = sample(part, float(baud), inverted=inverted)
        heard.append((received, score_received(received, dialects)))
    verdict = judge(heard, LineFacts(capture.seconds, len(capture.times_s)))
    if verdict.state is not LineState.UNDERSTOOD:
        return None
    reason = "The edges fit no bit time, so the usual speeds were tried: spikes, or edges that come early and late."
    return dataclasses.replace(verdict, reasons=(*verdict.reasons, reason))


def _without_bit(capture: EdgeCapture) -> Verdict:
    edges = len(capture.times_s)
    rate = edges / max(capture.seconds, 1e-9)
    hum = _hum_hz(capture)
    if hum:
        reason = f"{edges:,} edges, {rate:,.0f} a second, regular, at {hum:.0f} Hz: hum."
        return Verdict(LineState.FLOATING, 0.8, (reason,), seconds=capture.seconds)
    in_bursts = edges > 1 and float(np.median(np.diff(capture.times_s))) < _APART_S
    if edges < EDGES_LEAST and (in_bursts or rate > _FLOATING_EDGES_A_SECOND):
        reason = f"{edges} edges: too few for a bit time."
        return Verdict(LineState.NOT_SURE, 0.0, (reason, "Record longer."), seconds=capture.seconds)
    if rate > _FLOATING_EDGES_A_SECOND:
        reason = f"{edges:,} edges, {rate:,.0f} a second, and their distances are multiples of no bit."
        return Verdict(LineState.NOISE, 0.8, (reason,), seconds=capture.seconds)
    if in_bursts:
        reason = f"{edges:,} edges in bursts, and their distances are multiples of no bit: a loose contact, or spikes."
        return Verdict(
            LineState.NOT_SURE, 0.0, (reason, "Record longer, with the tip held still."), seconds=capture.seconds
        )
    reason = f"{edges:,} edges, {rate:.1f} a second, irregular: a loose or missing contact."
    return Verdict(LineState.FLOATING, 0.8 if edges >= 10 else 0.5, (reason,), seconds=capture.seconds)


def _hum_hz(capture: EdgeCapture) -> float | None:
    """The frequency of a slow regular line; its crossings may chatter."""
    times = capture.times_s
    crossings = times[np.concatenate([[True], np.diff(times) >= _APART_S])]
    periods = np.diff(crossings[::2])
    if len(periods) < 5:
        return None
    middle = float(np.median(periods))
    regular = np.abs(periods - middle) < 0.1 * middle
    is_hum = regular.mean() > 0.8 and _HUM_HZ[0] <= 1.0 / middle <= _HUM_HZ[1]
    return 1.0 / middle if is_hum else None


def _of_bit(bit: BitTime, baud: int, capture: EdgeCapture) -> str:
    off = 100.0 * (bit.baud / baud - 1.0)
    # The first pulse is of the level that the line did not have before.
    longer = -bit.asymmetry if capture.level_before else bit.asymmetry
    lopsided = f"; high pulses {100 * longer:+.0f} % of a bit longer" if abs(longer) >= _ASYMMETRY_SAID else ""
    return (
        f"Bit time {1e6 * bit.seconds:.4g} us from {bit.edges:,} edges (give or take {100 * bit.spread:.2g} %): "
        f"{bit.baud:,.0f} baud, {off:+.1f} % from {baud:,}; jitter {100 * bit.jitter:.1f} % of a bit{lopsided}."
    )
