"""What one setting of a listener gave, slice by slice, and what speaks for a dialect in it."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from offtake.dialects.tables import AnyDialect
from offtake.probe.bit_time import BitTime, estimate_from_lengths
from offtake.probe.facts import Heard
from offtake.probe.model import FRAMING_USUAL, Framing, Received
from offtake.probe.parity import as_seven_bits, framing_evidence
from offtake.probe.score import Score, score_received

_KEPT_BYTES, _KEPT_S = 16_384, 12.0
_SEVEN_BITS_SURE = 2.0
_GRAIN_MOST, _GRAIN_STEPS, _GRAIN_SLACK = 0.07, 141, 0.02


class SettingHeard:
    """The slices heard at one speed and framing; the oldest go when there is plenty."""

    def __init__(self) -> None:
        self._pieces: list[Received] = []
        self._scores: tuple[bool, list[Heard]] | None = None

    def add(self, piece: Received) -> None:
        """Takes one slice more."""
        self._pieces.append(piece)
        while len(self._pieces) > 1 and (self.count > _KEPT_BYTES or self.seconds > _KEPT_S):
            del self._pieces[0]
        self._scores = None

    @property
    def count(self) -> int:
        """Bytes."""
        return sum(len(piece.values) for piece in self._pieces)

    @property
    def telling(self) -> tuple[int, int]:
        """Bytes, and faulty ones, of slices that are not idle: spikes on an idle line read as FF, for the most part."""
        busy = [piece for piece in self._pieces if 2 * _clean_ff(piece) <= len(piece.values)]
        return sum(len(piece.values) for piece in busy), sum(int(np.count_nonzero(piece.faults)) for piece in busy)

    @property
    def seconds(self) -> float:
        """Listened in all."""
        return sum(piece.seconds for piece in self._pieces)

    @property
    def faulty(self) -> bool:
        """Whether any byte was marked as faulty."""
        return any(bool(piece.faults.any()) for piece in self._pieces)

    def whole(self, tells_faults: bool = True, last_s: float = np.inf) -> Received:
        """The slices of the last ``last_s`` as one; from ``began_s`` to ``ended_s`` is as long as was listened."""
        pieces = [self._pieces[-1]]
        for piece in reversed(self._pieces[:-1]):
            if sum(one.seconds for one in pieces) >= last_s:
                break
            pieces.insert(0, piece)
        last = pieces[-1]
        return Received(
            baud=last.baud,
            framing=last.framing,
            values=np.concatenate([piece.values for piece in pieces]),
            faults=np.concatenate([piece.faults for piece in pieces]),
            start_s=np.concatenate([piece.start_s for piece in pieces]),
            began_s=last.ended_s - sum(piece.seconds for piece in pieces),
            ended_s=last.ended_s,
            tells_faults=tells_faults and last.tells_faults,
        )

    def scored(self, dialects: Sequence[AnyDialect], tells_faults: bool) -> list[Heard]:
        """The whole with its score; and once more as seven bits with parity, where its bytes look like that."""
        if self._scores is None or self._scores[0] != tells_faults:
            self._scores = tells_faults, score_readings(self.whole(tells_faults), dialects)
        return self._scores[1]

    def bit(self) -> BitTime | None:
        """The true bit, from edges within the bytes: they know it when the line is slower than this setting."""
        whole = self.whole()
        rough = estimate_from_lengths(lengths_within(whole))
        return None if rough is None else dataclasses.replace(rough, seconds=_without_grain(whole, rough.seconds))


def _clean_ff(piece: Received) -> int:
    return int(np.count_nonzero((piece.values == 0xFF) & (piece.faults == 0)))


def score_readings(received: Received, dialects: Sequence[AnyDialect]) -> list[Heard]:
    """``received`` with its score, and as seven bits with parity where its bytes look like that."""
    readings = [received]
    framing = seven_bits_of(received)
    if framing is not None:
        readings.append(as_seven_bits(received, framing))
    return [(reading, score_received(reading, dialects)) for reading in readings]


def seven_bits_of(received: Received) -> Framing | None:
    """7E1 or 7O1 where bytes read as 8N1 look like that."""
    if received.framing != FRAMING_USUAL or len(received.values) == 0:
        return None
    evidence = framing_evidence(received)
    return evidence.framing if evidence.framing.data_bits == 7 and evidence.decades >= _SEVEN_BITS_SURE else None


def best_score(scored: Sequence[Heard]) -> Score:
    """Of several readings of the same bytes the one that says most."""
    return max((score for _, score in scored), key=lambda score: score.surprise)


def lengths_within(received: Received) -> NDArray[np.float64]:
    """Lengths in seconds between the edges inside each byte as it was received, to the grain of that speed's bit.

    The first edge is the start bit's; what lies before a byte's last edge is known, what comes after is not.
    """
    rows, columns = _changes(received)
    if len(rows) == 0:
        return np.zeros(0)
    before = np.where(np.concatenate([[True], rows[1:] != rows[:-1]]), 0, np.concatenate([[0], columns[:-1] + 1]))
    return (columns + 1 - before) / received.baud


def _without_grain(received: Received, bit_s: float) -> float:
    """A bit time near ``bit_s`` with which the places of most edges agree.

    A byte's start bit begins at an edge, so an edge seen after k bits of the speed that was listened at came within
    half of one of them. Every place k allows a range of bit times; the middle of what all allow is taken.
    """
    places = np.bincount(1 + _changes(received)[1])
    k = np.arange(len(places))
    ratios = bit_s * received.baud * np.linspace(1.0 - _GRAIN_MOST, 1.0 + _GRAIN_MOST, _GRAIN_STEPS)
    off = np.abs(k - np.round(k / ratios[:, np.newaxis]) * ratios[:, np.newaxis])
    agree = (off <= 0.5) @ places
    best = np.flatnonzero(agree >= (1.0 - _GRAIN_SLACK) * agree.max())
    return float(ratios[best].mean()) / received.baud


def _changes(received: Received) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Which byte, and after how many of its bits, start bit first, the next one differs."""
    data = (received.values[:, np.newaxis] >> np.arange(received.framing.data_bits)) & 1
    frame = np.concatenate([np.zeros((len(data), 1), dtype=data.dtype), data], axis=1)
    rows, columns = np.nonzero(np.diff(frame, axis=1) != 0)
    return rows, columns
