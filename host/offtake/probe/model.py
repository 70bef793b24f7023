"""What the probe hears and what it makes of it: data only, shared by serial ports, byte captures and edge captures."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from offtake.errors import UsageError

Parity = Literal["N", "E", "O"]

FAULT_FRAMING = 1
"""The stop bit was low."""
FAULT_PARITY = 2
FAULT_BREAK = 4
"""The line stayed low for the whole byte, its stop bit included."""

_FRAMING = re.compile(r"([78])([NEO])([12])\Z")


@dataclass(frozen=True, slots=True)
class Framing:
    """How a byte goes over the line, written as usual: 8N1 is 8 data bits, no parity, 1 stop bit."""

    data_bits: int = 8
    parity: Parity = "N"
    stop_bits: int = 1

    @property
    def bits(self) -> int:
        """Bit times from a byte's start bit to the next one's at the earliest."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity}{self.stop_bits}"

    @classmethod
    def parse(cls, text: str) -> Framing:
        """Reads "8N1" and the like. UsageError for anything else."""
        found = _FRAMING.match(text.upper())
        if not found:
            raise UsageError(f"{text!r} is not a framing", expected="7 or 8, N, E or O, 1 or 2: 8N1, 7E1, ...")
        parity: Parity = "N" if found[2] == "N" else "E" if found[2] == "E" else "O"
        return cls(int(found[1]), parity, int(found[3]))


FRAMING_USUAL = Framing()


@dataclass(frozen=True)
class Received:
    """What one receiver, set to one speed and framing, made of the line between ``began_s`` and ``ended_s``.

    ``values`` (uint8), ``faults`` (uint8, FAULT_* bits) and ``start_s`` (float64: when the byte's start bit fell, in
    seconds on any clock of one origin; NaN where that is not known) have the same length, in the order of time.
    ``tells_faults`` says whether this listener could notice framing and parity errors at all: without that, no faults
    mean nothing.
    """

    baud: float
    framing: Framing
    values: NDArray[np.uint8]
    faults: NDArray[np.uint8]
    start_s: NDArray[np.float64]
    began_s: float
    ended_s: float
    inverted: bool = False
    tells_faults: bool = True

    @property
    def seconds(self) -> float:
        """How long was listened."""
        return self.ended_s - self.began_s

    @property
    def data(self) -> bytes:
        """The bytes, right and wrong ones."""
        return self.values.tobytes()


class LineState(StrEnum):
    """What the tip of the probe touches."""

    SILENT = "silent"
    """Nothing at all: a steady level (or a port on which no byte came)."""
    FLOATING = "floating"
    """Connected to nothing: hum or a few stray edges, not bytes."""
    NOISE = "noise"
    """Much going on, but no bytes in it at any speed."""
    OTHER_SPEED = "other speed"
    """Bytes, but at a speed or framing that was not listened at; ``measured_baud`` says which if it is known."""
    DATA = "data"
    """Bytes at a known speed and framing, in no dialect that is known here."""
    UNDERSTOOD = "understood"
    """Bytes at a known speed and framing, in a known dialect."""
    NOT_SURE = "not sure"
    """Something, and the evidence does not decide: ``reasons`` say what speaks for what, and what would decide."""


@dataclass(frozen=True, slots=True)
class MessageRate:
    """A kind of message that was heard, and how often."""

    dialect: str
    name: str
    count: int
    rate_hz: float


@dataclass(frozen=True)
class Verdict:
    """What the probe makes of a line.

    ``baud`` is the speed to set (a usual one where the measured one fits it), ``measured_baud`` what was measured.
    ``certainty`` is 0 to 1: how likely baud, framing, polarity and dialect (as far as named) are all right.
    ``dialects`` may be several on a mixed line, that with most bytes first. ``reasons`` are sentences for people, the
    weightiest first. Counters are over this speed only.
    """

    state: LineState
    certainty: float
    reasons: tuple[str, ...]
    baud: int | None = None
    measured_baud: float | None = None
    framing: Framing | None = None
    inverted: bool | None = None
    dialects: tuple[str, ...] = ()
    messages: tuple[MessageRate, ...] = ()
    seconds: float = 0.0
    bytes_heard: int = 0
    bytes_faulty: int = 0
    checks_right: int = 0
    checks_wrong: int = 0
    others: tuple[str, ...] = field(default=())
    """Other explanations that the evidence leaves open, in words."""
