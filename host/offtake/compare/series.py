"""The mean of a series whose neighbours are alike, and how well it is known.

A receiver's values change slowly, so ten minutes of them are worth a few independent ones. The standard error comes
from resampling whole blocks (the moving-block bootstrap: Künsch, "The jackknife and the bootstrap for general
stationary observations", 1989; from memory), with the block length of Politis and White ("Automatic block-length
selection for the dependent bootstrap", 2004; from memory) for a series of the data's own autocorrelation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from offtake.track.geodesy import Floats

RESAMPLES = 400
BINS_MOST = 600
"""A longer series is averaged to so many pieces first: blocks are far longer than those."""
BINS_LEAST_S = 1.0
CORRELATION_MOST = 0.995


@dataclass(frozen=True)
class Mean:
    """A mean, its standard error, how many independent values the series is worth, and its autocorrelation time in
    seconds."""

    value: float
    se: float
    effective: float
    tau_s: float

    @property
    def df(self) -> float:
        """Degrees of freedom of :attr:`se`."""
        return max(self.effective - 1.0, 1.0)


def binned(time_s: Floats, values: Floats) -> tuple[Floats, float]:
    """Return the known ``values`` averaged over equal pieces of time, empty pieces left out, and a piece's length in
    seconds."""
    known = np.isfinite(values) & np.isfinite(time_s)
    time_s, values = time_s[known], values[known]
    if not len(values):
        return values, BINS_LEAST_S
    length = float(time_s.max() - time_s.min())
    usual = float(np.median(np.diff(time_s))) if len(time_s) > 1 else BINS_LEAST_S
    width = max(length / BINS_MOST, usual, 1e-3)
    place = np.minimum(((time_s - time_s.min()) / width + 0.5).astype(np.int64), BINS_MOST)
    counts = np.bincount(place)
    sums = np.bincount(place, weights=values)
    return sums[counts > 0] / counts[counts > 0], width


def lag_one(values: Floats) -> float:
    """Return the first autocorrelation, 0 or more, put right for what taking out the mean of a short series costs
    (Marriott and Pope, "Bias in the estimation of autocorrelations", 1954; from memory)."""
    count = len(values)
    centred = values - values.mean()
    square = float(centred @ centred)
    if count < 4 or square <= 1e-20 * count * max(1.0, float(values.mean()) ** 2):
        return 0.0
    raw = float(centred[1:] @ centred[:-1]) / square
    return min(max(raw + (1.0 + 3.0 * raw) / count, 0.0), CORRELATION_MOST)


def correlation(values: Floats) -> float:
    """Return the autocorrelation from one value to the next of the process AR(1) that fits ``values``.

    It is the largest of what the lags 1, 2, 4, 8... say while they stand out of the noise: a fast noise on top of a
    slow change hides the slow one from the first lag.
    """
    count = len(values)
    best = lag_one(values)
    lag = 2
    while lag <= count // 8:
        coarse = values[: count // lag * lag].reshape(-1, lag).mean(axis=1)
        slow = lag_one(coarse)
        if slow > 2.0 / math.sqrt(len(coarse)):
            best = max(best, slow ** (1.0 / lag))
        lag *= 2
    return min(best, CORRELATION_MOST)


def block_length(phi: float, count: int) -> int:
    """Return the best block length for the mean of ``count`` values of an AR(1) process with ``phi``."""
    best = (math.sqrt(6.0) * phi / (1.0 - phi**2)) ** (2.0 / 3.0) * count ** (1.0 / 3.0)
    return int(min(max(1, math.ceil(best)), max(1, count // 4)))


def block_means(values: Floats, length: int, resamples: int, random: np.random.Generator) -> Floats:
    """Return ``resamples`` means of ``values`` put together anew from blocks of ``length``, drawn with replacement."""
    count = len(values)
    blocks = math.ceil(count / length)
    sums = np.concatenate(([0.0], np.cumsum(values)))
    within = (sums[length:] - sums[:-length]) / length
    starts = random.integers(0, len(within), (resamples, blocks))
    means: Floats = within[starts].mean(axis=1)
    return means


def shrinkage(phi: float, length: int, count: int) -> float:
    """Return what share of the mean's variance blocks of ``length`` out of ``count`` values can show, for an AR(1)
    process with ``phi``: blocks miss what reaches beyond them, and the mean of all is taken out of them."""

    def variance(size: int) -> float:
        lags = np.arange(1, size)
        return float(1.0 + 2.0 * np.sum((1.0 - lags / size) * phi**lags)) / size

    whole = variance(count)
    return max((variance(length) - whole) / (whole * count / length), 0.05)


def effective_count(phi: float, count: int) -> float:
    """Return how many independent values have a mean as well known as ``count`` values of an AR(1) process."""
    lags = np.arange(1, count)
    return count / float(1.0 + 2.0 * np.sum((1.0 - lags / count) * phi**lags))


def mean_of(time_s: Floats, values: Floats, random: np.random.Generator) -> Mean | None:
    """Return the mean of the known ``values`` at ``time_s`` seconds, ``None`` without at least eight pieces of time."""
    pieces, width = binned(time_s, values)
    count = len(pieces)
    if count < 8:
        return None
    phi = correlation(pieces)
    length = block_length(phi, count)
    spread = float(block_means(pieces, length, RESAMPLES, random).std(ddof=1))
    tau_s = width / -math.log(phi) if phi > 0.0 else width
    return Mean(
        float(values[np.isfinite(values)].mean()), spread / math.sqrt(shrinkage(phi, length, count)),
        effective_count(phi, count), tau_s,
    )  # fmt: skip


def spread_of_mean(time_s: Floats, values: Floats) -> float:
    """Return the standard error of the mean of the known ``values`` that an AR(1) process fitted to them would have;
    0 for too few to fit one."""
    pieces, _ = binned(time_s, values)
    count = len(pieces)
    if count < 8:
        return 0.0
    effective = effective_count(correlation(pieces), count)
    # A series worth few independent values shows too little of its own variance.
    variance = float(pieces.var()) / max(1.0 - 1.0 / effective, 1.0 / 3.0)
    return math.sqrt(variance / effective)
