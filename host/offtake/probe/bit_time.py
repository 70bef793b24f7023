"""The length of a bit, from nothing but the times of a line's edges.

Between two edges of one byte lie whole bits, so the lengths between edges are multiples of the bit, smeared by jitter;
lengths beyond a byte are pauses and say nothing. For a bit length T the mean of cos(2 pi length / T) over the lengths
below a byte is near 1 when they are multiples of T, whatever the multiples are, and near 0 when they are not. It is
as near 1 at T/2, T/3 and so on; so of all bit lengths that do about as well as the best, the longest is the bit.
Lengths below half a bit count against a bit length, as spikes do. From there a least-squares fit through the
multiples gives the figure and how far it may be off; multiples are taken as known, so its spread is that of the
jitter over the root of the sum of their squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BAUD_LEAST, BAUD_MOST = 600.0, 2_500_000.0
EDGES_LEAST = 40
_BITS_IN_BYTE = 10.5
_GRID_STEP = 0.003
_LENGTHS_USED = 1_500
_VALUES_AT_ONCE = 200_000
_SCORE_LEAST = 0.55
_AS_GOOD = 0.86
_NEAR_MULTIPLE = 0.25
_SPREAD_LEAST = 1e-4
_KIND_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class BitTime:
    """``seconds`` a bit, ``spread`` its relative standard uncertainty, ``score`` 0 to 1 how well the edges fit it,
    ``jitter`` the standard deviation of the lengths between edges in bits, ``edges`` how many edges it rests on."""

    seconds: float
    spread: float
    score: float
    jitter: float
    edges: int

    @property
    def baud(self) -> float:
        """Bits a second."""
        return 1.0 / self.seconds


def estimate_bit_time(times_s: NDArray[np.float64]) -> BitTime | None:
    """The bit length behind edges at ``times_s`` (float64, shape (n,), rising, seconds); None when they do not give
    one.

    Too few edges (:data:`EDGES_LEAST`), or no bit length that they fit, give None.
    """
    return estimate_from_lengths(np.diff(times_s))


def estimate_from_lengths(lengths: NDArray[np.float64]) -> BitTime | None:
    """As :func:`estimate_bit_time`, from the lengths between neighbouring edges (float64, shape (n,), seconds)."""
    lengths = lengths[lengths < _BITS_IN_BYTE / BAUD_LEAST]
    if len(lengths) < EDGES_LEAST - 1:
        return None
    some = lengths[:: max(1, len(lengths) // _LENGTHS_USED)]
    grid = np.geomspace(1.0 / BAUD_MOST, 1.0 / BAUD_LEAST, round(np.log(BAUD_MOST / BAUD_LEAST) / _GRID_STEP))
    scores = _scores(some, grid)
    best = float(scores.max())
    if best < _SCORE_LEAST:
        return None
    peaks = np.flatnonzero(scores >= _AS_GOOD * best)
    # The longest bit that does, and of its neighbourhood the top.
    top = peaks[-1]
    near = peaks[grid[peaks] > 0.93 * grid[top]]
    return _fitted(lengths, float(grid[near[np.argmax(scores[near])]]))


def _scores(lengths: NDArray[np.float64], bits_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """How well ``lengths`` are multiples of each of ``bits_s``: shape (bits,), -1 to 1."""
    found = []
    for part in np.array_split(bits_s, 1 + bits_s.size * lengths.size // _VALUES_AT_ONCE):
        bits = lengths / part[:, np.newaxis]
        inside = bits < _BITS_IN_BYTE
        fit = np.where(inside, np.where(bits < 0.5, -1.0, np.cos(2.0 * np.pi * bits)), 0.0).sum(axis=1)
        count = inside.sum(axis=1)
        found.append(np.where(2 * count >= lengths.size, fit / np.maximum(count, 1), 0.0))
    return np.concatenate(found)


def _fitted(lengths: NDArray[np.float64], bit_s: float) -> BitTime | None:
    for _ in range(4):
        bits = lengths / bit_s
        whole = np.round(bits)
        use = (whole >= 1) & (bits < _BITS_IN_BYTE) & (np.abs(bits - whole) < _NEAR_MULTIPLE)
        if np.count_nonzero(use) < EDGES_LEAST // 2:
            return None
        multiples, measured = whole[use], lengths[use]
        weight = float((multiples**2).sum())
        bit_s = float((multiples * measured).sum() / weight)
    if not _of_bytes(multiples):
        return None
    off = measured / bit_s - multiples
    jitter = float(np.sqrt((off**2).mean()))
    spread = max(_SPREAD_LEAST, jitter / np.sqrt(weight))
    score = float(_scores(lengths, np.array([bit_s]))[0])
    return BitTime(bit_s, float(spread), score, jitter, int(np.count_nonzero(use)) + 1)


def _of_bytes(multiples: NDArray[np.float64]) -> bool:
    """Whether the lengths are of several kinds, as bytes have them: hum has one, and any bit that divides it fits."""
    counts = np.bincount(multiples.astype(np.int64))
    kinds = np.flatnonzero(counts >= max(2.0, _KIND_SHARE * len(multiples)))
    return len(kinds) >= 2 and int(np.gcd.reduce(kinds)) == 1
