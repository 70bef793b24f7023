"""What a receiver set to one speed, framing and polarity makes of an edge recording.

It does what a receiver in silicon does: a falling edge that is still low half a bit later is a start bit; each bit is
the majority of three samples around its middle; after the middle of the stop bit it waits for the next falling edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FAULT_PARITY, FRAMING_USUAL, Framing, Received

_SAMPLES = np.array([-1.0, 0.0, 1.0]) / 16.0
"""Where the three samples lie around a bit's middle, in bits."""
_BYTES_AT_ONCE = 100_000
"""Keeps a long recording's samples from lying in memory all at once."""


def sample(capture: EdgeCapture, baud: float, framing: Framing = FRAMING_USUAL, *, inverted: bool = False) -> Received:
    """Read ``capture`` at ``baud``.

    :raises UsageError: a speed that is not positive.
    """
    if not baud > 0.0:
        raise UsageError(f"a speed of {baud} baud", expected="a positive number")
    line = capture.turned_over() if inverted else capture
    bit_s = 1.0 / baud
    starts = _starts(line, bit_s, framing)
    # Without the stop bit's middle a byte is not whole.
    starts = starts[starts + (framing.data_bits + (framing.parity != "N") + 1.5) * bit_s <= line.ended_s]
    parts = np.array_split(starts, 1 + len(starts) // _BYTES_AT_ONCE)
    read = [_bytes(line, part, bit_s, framing) for part in parts]
    values = np.concatenate([one for one, _ in read])
    faults = np.concatenate([one for _, one in read])
    return Received(
        baud=baud,
        framing=framing,
        values=values,
        faults=faults,
        start_s=starts,
        began_s=capture.began_s,
        ended_s=capture.ended_s,
        inverted=inverted,
    )


def _starts(line: EdgeCapture, bit_s: float, framing: Framing) -> NDArray[np.float64]:
    falls = line.times_s[0 if line.level_before else 1 :: 2]
    if len(falls) == 0:
        return falls
    is_start = ~line.levels_at(falls + 0.5 * bit_s)
    to_stop = (framing.data_bits + (framing.parity != "N") + 1.5) * bit_s
    # The falling edge that is looked at next, whether this one began a byte or not.
    after = np.searchsorted(falls, falls + np.where(is_start, to_stop, 0.5 * bit_s), side="left")
    after = np.maximum(after, np.arange(1, len(falls) + 1))
    following, begins = after.tolist(), is_start.tolist()
    chosen = []
    at = 0
    while at < len(following):
        if begins[at]:
            chosen.append(at)
        at = following[at]
    return falls[np.array(chosen, dtype=np.int64)]


def _bytes(
    line: EdgeCapture, starts: NDArray[np.float64], bit_s: float, framing: Framing
) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    has_parity = framing.parity != "N"
    count = framing.data_bits + has_parity + 1
    middles = np.arange(count) + 1.5
    at = starts[:, np.newaxis, np.newaxis] + (middles[:, np.newaxis] + _SAMPLES) * bit_s
    bits = line.levels_at(at).sum(axis=2) >= 2
    data = bits[:, : framing.data_bits]
    values = (data * (1 << np.arange(framing.data_bits))).sum(axis=1).astype(np.uint8)
    faults = np.zeros(len(starts), dtype=np.uint8)
    stop_low = ~bits[:, -1]
    faults[stop_low] |= FAULT_FRAMING
    dark = ~data.any(axis=1)
    if has_parity:
        parity = bits[:, framing.data_bits]
        odd = (data.sum(axis=1) + parity) % 2 == 1
        faults[odd != (framing.parity == "O")] |= FAULT_PARITY
        dark &= ~parity
    faults[stop_low & dark] |= FAULT_BREAK
    return values, faults
