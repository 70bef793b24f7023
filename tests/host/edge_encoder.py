"""Bytes to edges, bit by bit from the definition of asynchronous serial: the tests' own, apart from what reads them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def bits_of(value: int, data_bits: int, parity: str, stop_bits: int) -> list[int]:
    """Start bit, data from the lowest bit on, parity, stop bits."""
    data = [(value >> place) & 1 for place in range(data_bits)]
    even = sum(data) % 2
    check = [] if parity == "N" else [even if parity == "E" else 1 - even]
    return [0, *data, *check, *[1] * stop_bits]


def encode(
    data: bytes,
    baud: float,
    data_bits: int = 8,
    parity: str = "N",
    stop_bits: int = 1,
    *,
    jitter_bits: float = 0.0,
    rng: np.random.Generator | None = None,
    inverted: bool = False,
    lead_bits: int = 20,
) -> tuple[NDArray[np.float64], bool]:
    """Edge times in seconds and the level before the first one; each edge off by Gaussian jitter of so many bits."""
    levels = [1] * lead_bits
    for value in data:
        levels += bits_of(value, data_bits, parity, stop_bits)
    levels += [1] * lead_bits
    edges = np.flatnonzero(np.diff(levels)) + 1.0
    if jitter_bits and rng is not None:
        edges += rng.normal(0.0, jitter_bits, len(edges))
        edges = np.maximum.accumulate(edges + 1e-9 * np.arange(len(edges)))
    return edges / baud, not inverted
