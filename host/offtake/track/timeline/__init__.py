"""A run's ticks on UTC: what the receiver said of time, and the line that fits it."""

from offtake.track.timeline.fit import fit_timeline
from offtake.track.timeline.line import Stamp, TimeLine

__all__ = ["Stamp", "TimeLine", "fit_timeline"]
