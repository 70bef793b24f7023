"""Which framing a line has, told from its bytes as 8N1 alone.

A receiver set to 8N1 reads every usual framing without losing its place, and what differs shows:

- 8E1, 8O1: the ninth bit, parity, stands where the stop bit is expected. The byte is right, and its stop bit is low
  (a framing fault) exactly when the parity bit is 0, so faults follow the parity of the byte;
- 7E1, 7O1: the eighth bit is parity, so all bytes have an even (or odd) number of ones.

Each framing predicts one or two bits a byte, a framing that does not care about one leaves it to chance. The counts
of the four kinds of bytes (stop bit right or low, ones even or odd) give each framing's likelihood.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from offtake.probe.model import FAULT_FRAMING, FAULT_PARITY, Framing, Received

_MISS = 0.1
"""How often a predicted bit is taken to be wrong: more than any line that can be used has, so that noise does not
count as proof."""
_BREAK_LIKE = 0
_FRAMINGS = tuple(Framing.parse(text) for text in ("8N1", "8E1", "8O1", "7E1", "7O1"))
# log10 likelihood of a byte by framing; columns: stop right and ones even, right and odd, low and even, low and odd.
_HIT, _ERR, _ANY = np.log10(1.0 - _MISS), np.log10(_MISS), np.log10(0.5)
_BY_KIND = np.array(
    [
        [_HIT + _ANY, _HIT + _ANY, _ERR + _ANY, _ERR + _ANY],
        [_ERR + _ANY, _HIT + _ANY, _HIT + _ANY, _ERR + _ANY],
        [_HIT + _ANY, _ERR + _ANY, _ERR + _ANY, _HIT + _ANY],
        [_HIT + _HIT, _HIT + _ERR, _ERR + _HIT, _ERR + _ERR],
        [_HIT + _ERR, _HIT + _HIT, _ERR + _ERR, _ERR + _HIT],
    ]
)


@dataclass(frozen=True, slots=True)
class FramingEvidence:
    """The likeliest framing, and how many decades likelier than the next one it makes the bytes (0: no idea)."""

    framing: Framing
    decades: float


def framing_evidence(received: Received) -> FramingEvidence:
    """Weigh the usual framings by bytes that were read as 8N1, in any number.

    Where the listener tells no faults, 8E1 and 8O1 cannot be told from 8N1 and are left out.
    """
    values = received.values
    # A break is no byte, and it would speak for 8E1.
    use = ~((values == _BREAK_LIKE) & (received.faults != 0))
    values, faults = values[use], received.faults[use]
    odd = np.bitwise_count(values) & 1
    low = (faults & FAULT_FRAMING != 0).astype(np.uint8)
    counts = np.bincount(2 * low + odd, minlength=4)
    likelihoods = _BY_KIND @ counts
    # A parity bit takes both values in any text or data; a line of one kind of byte says nothing about it.
    allowed = [True, bool(counts[1] and counts[2]), bool(counts[0] and counts[3]), True, True]
    if not received.tells_faults:
        allowed[1] = allowed[2] = False
    # Bytes that differ in their eighth bit alone: without any, that bit is no parity.
    if len(values) == 0 or not _eighth_varies(values):
        allowed[3] = allowed[4] = False
    likelihoods[~np.array(allowed)] = -np.inf
    order = np.argsort(-likelihoods, kind="stable")
    ahead = float(likelihoods[order[0]] - likelihoods[order[1]])
    return FramingEvidence(_FRAMINGS[int(order[0])], ahead if np.isfinite(ahead) else float(-_ANY * len(values)))


def as_seven_bits(received: Received, framing: Framing) -> Received:
    """Bytes read as 8N1, as a receiver set to ``framing`` (7E1 or 7O1) would have read them."""
    wrong = (np.bitwise_count(received.values) & 1 == 1) != (framing.parity == "O")
    faults = received.faults | np.where(wrong, FAULT_PARITY, 0).astype(np.uint8)
    return Received(
        baud=received.baud, framing=framing, values=received.values & np.uint8(0x7F), faults=faults,
        start_s=received.start_s, began_s=received.began_s, ended_s=received.ended_s, inverted=received.inverted,
        tells_faults=received.tells_faults,
    )  # fmt: skip


def _eighth_varies(values: NDArray[np.uint8]) -> bool:
    high = np.count_nonzero(values & 0x80)
    return bool(min(high, len(values) - high) >= max(2, 0.1 * len(values)))
