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

from offtake.probe.model import FAULT_FRAMING, FAULT_PARITY, FRAMING_USUAL, Framing, Received

_MISS = 0.1
"""How often a predicted bit is taken to be wrong: more than any line that can be used has, so that noise does not
count as proof."""
_IDLE_ZEROS_MOST = 2
_HOLDS = 0.65
"""A parity bit holds in more bytes than this, those read out of place included."""
_DECADES_BY_CHANCE = 4.0
"""What the best of all stretches reaches by accident, beside the logarithm of their number."""
_EIGHTH_SHARE = 0.03
"""More bytes than this have the eighth bit set, and clear, where it is a parity bit."""
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
_RIGHT_KINDS = ((0, 1), (1, 2), (0, 3), (0,), (1,))


@dataclass(frozen=True, slots=True)
class FramingEvidence:
    """The likeliest framing, and how many decades likelier it makes the bytes than the next one (0: no idea)."""

    framing: Framing
    decades: float


def framing_evidence(received: Received) -> FramingEvidence:
    """Weigh the usual framings by bytes that were read as 8N1, in any number.

    Whoever begins to listen in the middle of bytes without pauses, or loses the place, reads a stretch of nonsense, so
    a parity bit need not hold everywhere: a stretch of bytes that accident does not give is enough. Where the listener
    tells no faults, 8E1 and 8O1 cannot be told from 8N1 and are left out.
    """
    use = real_bytes(received)
    # The same byte again says nothing new.
    use[1:] &= received.values[1:] != received.values[:-1]
    kinds = _kinds(received, use)
    if len(kinds) == 0:
        return FramingEvidence(FRAMING_USUAL, 0.0)
    stretches = np.array([_stretch(kinds, _BY_KIND[row] - _BY_KIND[0]) for row in range(len(_FRAMINGS))])
    stretches -= _DECADES_BY_CHANCE + np.log10(len(kinds))
    likelihoods = _BY_KIND @ np.bincount(kinds, minlength=4)
    allowed = np.full(len(_FRAMINGS), True)
    allowed[1:3] = received.tells_faults
    allowed[3:] = _eighth_varies(received.values[use])
    best = 1 + int(np.argmax(np.where(allowed, stretches, -np.inf)[1:]))
    if allowed[best] and stretches[best] > 0.0:
        holds = float(np.isin(kinds, _RIGHT_KINDS[best]).mean())
        return FramingEvidence(_FRAMINGS[best], float(stretches[best]) if holds > _HOLDS else 0.0)
    rivals = likelihoods[1:][allowed[1:]]
    ahead = likelihoods[0] - rivals.max() if len(rivals) else -_ANY * len(kinds)
    return FramingEvidence(FRAMING_USUAL, max(0.0, float(ahead)))


def framing_of_known(received: Received, known: NDArray[np.int64]) -> FramingEvidence:
    """Weigh the framings of eight bits by the bytes at the places ``known`` alone, which are sure to have been sent.

    Spikes on an idle line, and places lost on a bad one, then have no say. They are too few and too much alike to tell
    seven bits and parity from eight: in one kind of text nearly all of them have an even number of ones.
    """
    kinds = _kinds(received, known)
    likelihoods = (_BY_KIND @ np.bincount(kinds, minlength=4))[:3]
    if not received.tells_faults:
        likelihoods[1:3] = -np.inf
    order = np.argsort(-likelihoods, kind="stable")
    ahead = float(likelihoods[order[0]] - likelihoods[order[1]])
    return FramingEvidence(_FRAMINGS[int(order[0])], ahead if np.isfinite(ahead) else float(-_ANY * len(kinds)))


def parity_stretch(received: Received, decades: float) -> Framing | None:
    """8E1 or 8O1, when some stretch of few bytes read as 8N1 hints at it by so many ``decades``."""
    kinds = _kinds(received, real_bytes(received))
    if not received.tells_faults or len(kinds) == 0:
        return None
    for row in (1, 2):
        if _stretch(kinds, _BY_KIND[row] - np.delete(_BY_KIND[:3], row, axis=0).max(axis=0)) >= decades:
            return _FRAMINGS[row]
    return None


def as_seven_bits(received: Received, framing: Framing) -> Received:
    """Bytes read as 8N1, as a receiver set to ``framing`` (7E1 or 7O1) would have read them."""
    wrong = (np.bitwise_count(received.values) & 1 == 1) != (framing.parity == "O")
    faults = received.faults | np.where(wrong, FAULT_PARITY, 0).astype(np.uint8)
    return Received(
        baud=received.baud, framing=framing, values=received.values & np.uint8(0x7F), faults=faults,
        start_s=received.start_s, began_s=received.began_s, ended_s=received.ended_s, inverted=received.inverted,
        tells_faults=received.tells_faults,
    )  # fmt: skip


def real_bytes(received: Received) -> NDArray[np.bool_]:
    """False for what a line gives without any byte: breaks, and nearly all ones, as spikes on an idle line read."""
    idle = np.bitwise_count(received.values) >= received.framing.data_bits - _IDLE_ZEROS_MOST
    breaks = (received.values == 0) & (received.faults != 0)
    return np.asarray(~(idle | breaks), dtype=np.bool_)


def _kinds(received: Received, use: NDArray[np.bool_] | NDArray[np.int64]) -> NDArray[np.uint8]:
    """The kind of each byte in use: a column of the table of likelihoods."""
    odd = np.bitwise_count(received.values[use]) & 1
    low = (received.faults[use] & FAULT_FRAMING != 0).astype(np.uint8)
    return np.asarray(2 * low + odd, dtype=np.uint8)


def _stretch(kinds: NDArray[np.uint8], ahead: NDArray[np.float64]) -> float:
    """The most that any stretch of bytes adds up to, in decades."""
    sums = np.concatenate([[0.0], np.cumsum(ahead[kinds])])
    return float((sums - np.minimum.accumulate(sums)).max())


def _eighth_varies(values: NDArray[np.uint8]) -> bool:
    high = np.count_nonzero(values & 0x80)
    return bool(min(high, len(values) - high) >= max(2.0, _EIGHTH_SHARE * len(values)))
