"""The scenario's receiver as a wire in real time, for an adapter to listen to."""

from __future__ import annotations

import numpy as np

from offtake.bench.adapter import Wire
from offtake.scenario.model import Scenario
from offtake.scenario.run import scenario_line

_SYMBOLS = 10


def scenario_wire(scenario: Scenario) -> Wire:
    """What the receiver sends, from a moment before its first byte to a second after its last one."""
    line = scenario_line(scenario)
    symbols = (line.pattern[:, np.newaxis] >> np.arange(_SYMBOLS)) & 1
    times = (line.start[:, np.newaxis] + np.arange(_SYMBOLS) * line.bit[:, np.newaxis]) / scenario.frequency_hz
    levels = symbols.ravel()
    # The line idles high before its first byte, and every byte ends high.
    changes = np.flatnonzero(np.concatenate([[1], levels[:-1]]) != levels)
    edges = times.ravel()[changes]
    begin = float(edges[0]) - 0.1
    return Wire(edges - begin, True, float(edges[-1]) - begin + 1.0)
