"""A one-bit recording of a line: when its level changed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class EdgeCapture:
    """A line between ``began_s`` and ``ended_s``: ``level_before`` until the first edge, then the other level, and so
    on.

    ``times_s`` (float64, shape (n,), strictly rising) are the edges, in seconds on any clock. ``name`` says where it is
    from, for messages.
    """

    times_s: NDArray[np.float64]
    level_before: bool
    began_s: float
    ended_s: float
    name: str = ""

    @property
    def seconds(self) -> float:
        """How long the recording is."""
        return self.ended_s - self.began_s

    def levels_at(self, times_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        """The level at each of ``times_s`` (any shape; the same shape comes back). At an edge it is the new one."""
        passed = np.searchsorted(self.times_s, times_s, side="right")
        odd: NDArray[np.bool_] = (passed & 1).astype(bool)
        return odd ^ self.level_before

    def high_share(self) -> float:
        """Share of the time at the high level, 0 to 1; of an empty recording the level it has."""
        if self.seconds <= 0.0:
            return float(self.level_before)
        bounds = np.concatenate([[self.began_s], self.times_s, [self.ended_s]])
        lengths = np.diff(bounds)
        high = lengths[0 if self.level_before else 1 :: 2].sum()
        return float(high / self.seconds)

    def turned_over(self) -> EdgeCapture:
        """The same recording with both levels swapped."""
        return EdgeCapture(self.times_s, not self.level_before, self.began_s, self.ended_s, self.name)
