"""Speeds and framings that receivers are usually set to (common practice, no source)."""

from __future__ import annotations

from offtake.probe.model import Framing

USUAL_BAUDS = (9_600, 57_600, 38_400, 115_200, 4_800, 19_200, 230_400, 460_800, 921_600)
"""The likeliest first."""
ODD_BAUDS = (14_400, 28_800, 76_800, 250_000, 2_400, 1_200, 1_000_000, 500_000)
FRAMINGS = tuple(Framing.parse(text) for text in ("8N1", "8E1", "8O1", "7E1", "7O1"))
"""The likeliest first. 8N2 is read as 8N1: a receiver set to that reads both."""
_NEAR = 0.02


def usual_baud(measured_baud: float) -> int:
    """The usual speed that a measured one is, if it lies within 2 % of one; else the measured one, rounded."""
    nearest = min((*USUAL_BAUDS, *ODD_BAUDS), key=lambda baud: abs(baud - measured_baud))
    return nearest if abs(nearest - measured_baud) <= _NEAR * nearest else round(measured_baud)
