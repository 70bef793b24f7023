"""The two ways from a line to a verdict: a walk with a simulated adapter, and an edge recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from offtake.probe.bit_time import estimate_bit_time
from offtake.probe.edge_probe import probe_edges
from offtake.probe.model import Verdict
from offtake.probe.walk import Walk
from probe_lines import QUIET, Case, bytes_to_ticks, capture_of
from probe_listeners import VirtualListener, wire_of
from probe_streams import KNOWN, UNKNOWN, epochs
from probe_verdicts import Outcome, outcome

WAYS = ("walk", "edges")
WALK_S = 20.0
"""So long a walk may take; one on a silent line is over sooner."""
_SILENT_S = 4.0
HEARD_S = 2.0
"""A person holds the tip where it settled for so long."""
EDGES_S = (2.0, 4.0)
BIT_TIME_WITHIN = 0.01
_STEP_S = 0.1


@dataclass(frozen=True)
class Judged:
    """One line, one way: the verdict and what it is worth. ``seconds`` of the line were heard; ``story`` says how."""

    way: str
    case: Case
    verdict: Verdict
    outcome: Outcome
    seconds: float
    story: tuple[str, ...] = ()


def judge_case(way: str, case: Case) -> Judged:
    """The verdict that ``way`` comes to on ``case``."""
    if way == "walk":
        return _walked(case)
    seconds = float(case.rng("length").uniform(*EDGES_S))
    verdict = probe_edges(capture_of(case, seconds))
    return Judged(way, case, verdict, outcome(case, verdict, can_invert=True), seconds)


def _walked(case: Case) -> Judged:
    most = _SILENT_S if case.kind in QUIET else WALK_S
    # A silent line is not made longer than it has to be; any other may be heard to its end.
    listener = VirtualListener(wire_of(capture_of(case, most + 1.0)))
    walk = Walk(listener)
    settled_s = None
    verdict = walk.step(_STEP_S)
    while listener.now_s < most:
        if not walk.settled:
            settled_s = None
        elif settled_s is None:
            settled_s = listener.now_s
        elif listener.now_s >= settled_s + HEARD_S:
            break
        verdict = walk.step(_STEP_S)
    story = tuple(f"{at_s:6.1f} s  {baud:,.0f} baud {framing}" for at_s, baud, framing in listener.visits)
    return Judged("walk", case, verdict, outcome(case, verdict, can_invert=False), listener.now_s, story)


def bit_time_errors(seed: int, count: int, edges: int = 200, jitter: float = 0.02) -> list[float | None]:
    """Relative errors of the bit time from ``edges`` edges of text, binary and random bytes, each edge off by a normal
    distribution of ``jitter`` bits; None where there was no estimate."""
    kinds = (*KNOWN, *UNKNOWN)
    rng = np.random.default_rng([seed, 200])
    errors: list[float | None] = []
    for number in range(count):
        case = Case(kinds[number % len(kinds)])
        pool = epochs(case.kind, 600)
        data = b"".join(pool[rng.integers(len(pool))])
        baud = float(10.0 ** rng.uniform(np.log10(1_200.0), 6.0))
        ticks = bytes_to_ticks(data, 10 * np.arange(len(data)), case.framing)
        first = int(rng.integers(0, len(ticks) - edges))
        some = ticks[first : first + edges]
        times = (some - some[0] + 1.0 + np.clip(rng.normal(0.0, jitter, edges), -0.4, 0.4)) / baud
        found = estimate_bit_time(times)
        errors.append(None if found is None else found.seconds * baud - 1.0)
    return errors
