"""The length of a bit, from nothing but the times of a line's edges.

Between two edges of one byte lie whole bits, so the lengths between edges are multiples of the bit, smeared by jitter;
lengths beyond a byte are pauses and say nothing. For a bit length T the mean of cos(2 pi length / T) over the lengths
below a byte is near 1 when they are multiples of T, whatever the multiples are, and near 0 when they are not. Where
the line rises faster than it falls, or the other way round, all high pulses are longer by the same time and all low
ones shorter: the cosine is then taken about the phase, opposite for both, that fits best.

It is as near 1 at T/2, T/3 and so on, and at the step of a sampled recording, so two rules pick the bit: some lengths
must be a single bit, as in any text or data, and of the bit lengths that do about as well as the best, the longest is
the bit. Lengths below half a bit count against a bit length, as spikes do. From there a least-squares fit through the
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
_GRID_STEP = 0.006
_LENGTHS_USED = 1_500
_VALUES_AT_ONCE = 200_000
_SCORE_LEAST = 0.55
_AS_GOOD = 0.86
_NEAR_MULTIPLE = 0.25
_SPREAD_LEAST = 1e-4
_KIND_SHARE = 0.02
_SINGLE_SHARE = 0.05
"""Of the lengths within a byte at least so many are a single bit."""
_ASYMMETRY_MOST = 0.3
"""How much longer, in bits, high pulses may be than they were sent, and low ones shorter; or the other way round."""


@dataclass(frozen=True, slots=True)
class BitTime:
    """``seconds`` a bit, ``spread`` its relative standard uncertainty, ``score`` 0 to 1 how well the edges fit it,
    ``jitter`` the standard deviation of the lengths between edges in bits, ``edges`` how many edges it rests on,
    ``asymmetry`` by how many bits pulses of one level are longer than they should be, and those of the other shorter.
    """

    seconds: float
    spread: float
    score: float
    jitter: float
    edges: int
    asymmetry: float = 0.0

    @property
    def baud(self) -> float:
        """Bits a second."""
        return 1.0 / self.seconds


def estimate_bit_time(times_s: NDArray[np.float64]) -> BitTime | None:
    """The bit length behind edges at ``times_s`` (float64, shape (n,), rising, seconds); None when they do not give
    one.

    Too few edges (:data:`EDGES_LEAST`), or no bit length that they fit, give None.
    """
    lengths = np.diff(times_s)
    return _estimate(lengths, np.where(np.arange(len(lengths)) % 2 == 0, 1.0, -1.0))


def estimate_from_lengths(lengths: NDArray[np.float64]) -> BitTime | None:
    """As :func:`estimate_bit_time`, from lengths between neighbouring edges (float64, shape (n,), seconds) of either
    level, so without regard to asymmetry."""
    return _estimate(lengths, np.zeros(len(lengths)))


def _estimate(lengths: NDArray[np.float64], signs: NDArray[np.float64]) -> BitTime | None:
    """``signs`` are 1 for the pulses of one level and -1 for those of the other, or 0 where that is not known."""
    short = lengths < _BITS_IN_BYTE / BAUD_LEAST
    lengths, signs = lengths[short], signs[short]
    if len(lengths) < EDGES_LEAST - 1:
        return None
    # Pairs of neighbours, so that both levels are among them.
    step = 2 * max(1, len(lengths) // _LENGTHS_USED)
    some = np.flatnonzero(np.arange(len(lengths)) % step < 2)
    grid = np.geomspace(1.0 / BAUD_MOST, 1.0 / BAUD_LEAST, round(np.log(BAUD_MOST / BAUD_LEAST) / _GRID_STEP))
    scores = _scores(lengths[some], signs[some], grid)
    best = float(scores.max())
    if best < _SCORE_LEAST:
        return None
    peaks = np.flatnonzero(scores >= _AS_GOOD * best)
    # The longest bit that does, and of its neighbourhood the top.
    top = peaks[-1]
    near = peaks[grid[peaks] > 0.93 * grid[top]]
    return _fitted(lengths, signs, float(grid[near[np.argmax(scores[near])]]))


def _scores(
    lengths: NDArray[np.float64], signs: NDArray[np.float64], bits_s: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How well ``lengths`` are multiples of each of ``bits_s``: shape (bits,), -1 to 1; 0 where one of them cannot be
    the bit."""
    found = []
    for part in np.array_split(bits_s, 1 + bits_s.size * lengths.size // _VALUES_AT_ONCE):
        bits = lengths / part[:, np.newaxis]
        inside = bits < _BITS_IN_BYTE
        spike = bits < 0.5
        use = inside & ~spike
        turns = 2.0 * np.pi * bits
        even = np.where(use, np.cos(turns), 0.0).sum(axis=1)
        skew = (np.where(use, np.sin(turns), 0.0) * signs).sum(axis=1)
        most = 2.0 * np.pi * _ASYMMETRY_MOST
        phase = np.clip(np.arctan2(skew, even), -most, most)
        fit = even * np.cos(phase) + skew * np.sin(phase) - spike.sum(axis=1)
        count = np.maximum(inside.sum(axis=1), 1)
        single = (use & (bits < 1.5)).sum(axis=1)
        possible = (2 * count >= lengths.size) & (single >= _SINGLE_SHARE * count)
        found.append(np.where(possible, fit / count, 0.0))
    return np.concatenate(found)


def _fitted(lengths: NDArray[np.float64], signs: NDArray[np.float64], bit_s: float) -> BitTime | None:
    longer_s = _asymmetry_s(lengths, signs, bit_s)
    for _ in range(4):
        whole = np.round((lengths - signs * longer_s) / bit_s)
        off = (lengths - signs * longer_s) / bit_s - whole
        use = (whole >= 1) & (whole < _BITS_IN_BYTE) & (np.abs(off) < _NEAR_MULTIPLE)
        if np.count_nonzero(use) < EDGES_LEAST // 2:
            return None
        multiples, levels, measured = whole[use], signs[use], lengths[use]
        # Normal equations of measured = multiples * bit + levels * longer; without levels longer stays 0.
        squares, mixed = float((multiples**2).sum()), float((multiples * levels).sum())
        pulses = max(1.0, float((levels**2).sum()))
        weight = squares - mixed**2 / pulses
        if weight < 0.5:
            # Pulses of one level and one length.
            return None
        along, across = float((multiples * measured).sum()), float((levels * measured).sum())
        bit_s = (along - mixed * across / pulses) / weight
        longer_s = (across - mixed * bit_s) / pulses
    if not _of_bytes(multiples, levels):
        return None
    left = (measured - levels * longer_s) / bit_s - multiples
    jitter = float(np.sqrt((left**2).mean()))
    spread = max(_SPREAD_LEAST, jitter / np.sqrt(weight))
    some = slice(0, _VALUES_AT_ONCE)
    score = float(_scores(lengths[some], signs[some], np.array([bit_s]))[0])
    return BitTime(bit_s, float(spread), score, jitter, int(np.count_nonzero(use)) + 1, longer_s / bit_s)


def _asymmetry_s(lengths: NDArray[np.float64], signs: NDArray[np.float64], bit_s: float) -> float:
    """How much longer, in seconds, the pulses with sign 1 are; a first guess, from the phase that fits best."""
    turns = 2.0 * np.pi * lengths[lengths < _BITS_IN_BYTE * bit_s] / bit_s
    skew = float((np.sin(turns) * signs[lengths < _BITS_IN_BYTE * bit_s]).sum())
    phase = float(np.arctan2(skew, np.cos(turns).sum()))
    return float(np.clip(phase / (2.0 * np.pi), -_ASYMMETRY_MOST, _ASYMMETRY_MOST)) * bit_s


def _of_bytes(multiples: NDArray[np.float64], levels: NDArray[np.float64]) -> bool:
    """Whether the lengths are of several kinds, as bytes have them: hum has one for each level, and any bit that
    divides both fits."""
    least = max(2.0, _KIND_SHARE * len(multiples))
    kinds = np.flatnonzero(np.bincount(multiples.astype(np.int64)) >= least)
    both = np.bincount((2 * multiples + (levels > 0.0)).astype(np.int64)) >= least
    if len(kinds) < 2 or int(np.gcd.reduce(kinds)) != 1:
        return False
    return bool(not levels.any() or np.count_nonzero(both) >= 3)
