"""What the tests of the probe share: a receiver's stream, bytes as received, and a listener without a port."""

from __future__ import annotations

import struct

import numpy as np
from binary_frames import frame_b562, frame_rtcm, sentence
from edge_encoder import encode
from numpy.typing import NDArray
from offtake.bench.adapter import Wire
from offtake.errors import InputOutputError
from offtake.probe.edges import EdgeCapture
from offtake.probe.model import FRAMING_USUAL, Framing, Received
from offtake.probe.sample import sample


def text_stream(epochs: int) -> bytes:
    """Two sentences an epoch."""
    return b"".join(
        sentence(f"GPGGA,1235{second % 60:02d}.00,4807.038,N,01131.0{second % 10},E,1,08,0.9,545.4,M,46.9,M,,")
        + sentence(f"GPRMC,1235{second % 60:02d}.00,A,4807.038,N,01131.0{second % 10},E,022.4,084.4,230394,,")
        for second in range(epochs)
    )


def b562_stream(count: int, seed: int = 1) -> bytes:
    """Position messages full of chance."""
    rng = np.random.default_rng(seed)
    return b"".join(frame_b562(0x0107, rng.integers(0, 256, 92, dtype=np.uint8).tobytes()) for _ in range(count))


def rtcm_stream(count: int, seed: int = 2) -> bytes:
    """Observations full of chance."""
    rng = np.random.default_rng(seed)
    return b"".join(
        frame_rtcm(struct.pack(">H", 1077 << 4) + rng.integers(0, 256, 120, dtype=np.uint8).tobytes())
        for _ in range(count)
    )


def received(data: bytes, *, baud: float = 9_600.0, faults: NDArray[np.uint8] | None = None, seconds: float = 4.0,
             tells_faults: bool = True, framing: Framing = FRAMING_USUAL) -> Received:  # fmt: skip
    """``data`` as one receiver's, without faults unless given."""
    values = np.frombuffer(data, dtype=np.uint8)
    nothing = np.zeros(len(values), dtype=np.uint8)
    return Received(
        baud=baud,
        framing=framing,
        values=values,
        faults=nothing if faults is None else faults,
        start_s=np.linspace(0.0, seconds, len(values)),
        began_s=0.0,
        ended_s=seconds,
        tells_faults=tells_faults,
    )


def capture(data: bytes, baud: float, framing: Framing = FRAMING_USUAL, pause_s: float = 0.2) -> EdgeCapture:
    """The line's edges, and a pause behind."""
    edges, before = encode(data, baud, framing.data_bits, framing.parity, framing.stop_bits)
    return EdgeCapture(edges, before, 0.0, float(edges[-1]) + pause_s)


def wire(data: bytes, baud: float, framing: Framing = FRAMING_USUAL) -> Wire:
    """The same as a wire that says it again and again."""
    found = capture(data, baud, framing)
    return Wire(found.times_s, found.level_before, found.seconds)


class FakeListener:
    """Listens to a recorded line that repeats itself, in a time of its own; ``lines`` may change under the tip.

    After ``gone_s`` the port is gone.
    """

    def __init__(self, line: EdgeCapture | None, *, tells_faults: bool = True, gone_s: float = np.inf) -> None:
        self.line = line
        self.now_s = 0.0
        self.settings: list[tuple[int, str]] = []
        self._tells_faults = tells_faults
        self._gone_s = gone_s

    def hear(self, baud: int, framing: Framing, seconds: float) -> Received:
        """What an ideal receiver makes of the line's next ``seconds``."""
        if self.now_s >= self._gone_s:
            raise InputOutputError("the port has vanished", where="fake")
        if self.settings[-1:] != [(baud, str(framing))]:
            self.settings.append((baud, str(framing)))
        began, self.now_s = self.now_s, self.now_s + seconds
        piece = sample(self._piece(began, self.now_s), baud, framing)
        return Received(
            baud=float(baud),
            framing=framing,
            values=piece.values,
            faults=piece.faults if self._tells_faults else np.zeros_like(piece.faults),
            start_s=piece.start_s,
            began_s=began,
            ended_s=self.now_s,
            tells_faults=self._tells_faults,
        )

    def _piece(self, began: float, ended: float) -> EdgeCapture:
        if self.line is None:
            return EdgeCapture(np.zeros(0), True, began, ended)
        length = self.line.seconds
        rounds = range(int(began // length), int(ended // length) + 1)
        times = np.concatenate([self.line.times_s + one * length for one in rounds])
        passed = int(np.searchsorted(times, began))
        inside = times[(times >= began) & (times < ended)]
        return EdgeCapture(inside, self.line.level_before ^ bool(passed & 1), began, ended)
