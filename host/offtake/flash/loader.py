"""Calls a board's serial boot loader, to learn within seconds whether one is there and at which speed.

avrdude learns the same, but takes 56 s over a board that is silent, and does not tell a wrong speed from no board.
The two packets used are STK500 version 1's "get synchronised" (application note AVR061; memory).
"""

from __future__ import annotations

import time
from collections.abc import Sequence

from offtake.link.port import SerialPort

USUAL_BAUDS = (115_200, 57_600)
CALL = b"0 "
ANSWER = b"\x14\x10"
LISTEN_S = 1.5
"""How long a speed is tried: loaders that a reset has started wait for a second at least."""
CALL_EVERY_S = 0.3
"""Also before the first call. Some loaders blink first: one call fits their receiver meanwhile, part of a second one
would be taken for something else."""
KEPT_BYTES = 64


def loader_answers(port: str, baud: int) -> bool:
    """Resets the board by opening its port, and calls its boot loader at ``baud``.

    :raises InputOutputError: the port cannot be opened, or vanishes.
    """
    line = SerialPort(port, baud)
    try:
        heard = b""
        end = time.monotonic() + LISTEN_S
        while time.monotonic() < end:
            got = line.read(CALL_EVERY_S)
            heard = (heard + got)[-KEPT_BYTES:]
            if ANSWER in heard:
                return True
            if not got:
                line.write(CALL)
        return False
    finally:
        line.close()


def find_loader(port: str, bauds: Sequence[int]) -> int | None:
    """The first of ``bauds`` at which a boot loader answers; None for none. InputOutputError as above."""
    return next((baud for baud in bauds if loader_answers(port, baud)), None)
