"""A receiver's line as a simulated adapter hears it, in time that runs as fast as the computer can."""

from __future__ import annotations

import numpy as np
from offtake.bench.adapter import UartReceiver, Wire
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FAULT_BREAK, FAULT_FRAMING, FAULT_PARITY, Framing, Received

_SETTLE_S = 0.002
"""So long an adapter takes to change its speed."""


def wire_of(capture: EdgeCapture) -> Wire:
    """The wire that was recorded; it begins again when the recording is over, at the level of its beginning."""
    edges = capture.times_s[: len(capture.times_s) // 2 * 2]
    return Wire(edges, capture.level_before, capture.seconds)


class VirtualListener:
    """Hears ``wire`` in virtual time, from ``at_s`` on; ``now_s`` is its clock.

    With ``tells_faults`` it says what a driver passes on: a faulty byte of value 0 as a break, any other as a framing
    error, or as a parity error where parity is on. Without, it says nothing of faults, as some ports do.
    """

    def __init__(self, wire: Wire, *, at_s: float = 0.0, tells_faults: bool = True) -> None:
        self._wire = wire
        self._tells_faults = tells_faults
        self._receiver: UartReceiver | None = None
        self._setting: tuple[float, Framing] | None = None
        self.now_s = at_s
        self.visits: list[tuple[float, float, Framing]] = []
        """When it was set to what, for people."""

    def hear(self, baud: float, framing: Framing, seconds: float) -> Received:
        """As :class:`offtake.probe.listen.Listener` says."""
        if self._receiver is None or self._setting != (baud, framing):
            self._receiver = UartReceiver(
                self._wire, float(baud), self.now_s + _SETTLE_S, framing.data_bits, framing.parity
            )
            self._setting = (baud, framing)
            self.visits.append((self.now_s, baud, framing))
        began_s = self.now_s
        self.now_s += seconds
        data, wrong, starts = self._receiver.take(self.now_s)
        values = np.frombuffer(data, dtype=np.uint8)
        bad = np.array(wrong, dtype=bool)
        fault = FAULT_PARITY if framing.parity != "N" else FAULT_FRAMING
        faults = np.where(bad, np.where(values == 0, FAULT_BREAK | FAULT_FRAMING, fault), 0).astype(np.uint8)
        return Received(
            baud=float(baud),
            framing=framing,
            values=values,
            faults=faults if self._tells_faults else np.zeros_like(faults),
            start_s=np.asarray(starts, dtype=np.float64),
            began_s=began_s,
            ended_s=self.now_s,
            tells_faults=self._tells_faults,
        )
