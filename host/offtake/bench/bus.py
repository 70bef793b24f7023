"""The card model without a chip: the caller plays the SPI master, byte by byte."""

from __future__ import annotations

from typing import Any

from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card
from offtake.bench.firmware import Firmware


class CardBus:
    """A powered card in a socket and nothing else; time passes only with the bytes exchanged and
    :meth:`wait_ms`.

    :param divider: CPU cycles to one SPI clock.
    """

    def __init__(self, image: Any, card: Card | None = None, *, divider: int = 64) -> None:
        self.divider = divider
        self.bench = Bench(Firmware(b""), image=image, card=card or Card(), board=Board(startup_ms=0.0))

    def select(self, selected: bool) -> None:
        """Drives the select line: True selects the card."""
        self.bench.bus_select(selected)

    def exchange(self, data: bytes) -> bytes:
        """Sends ``data`` and returns what the card drove meanwhile, byte for byte."""
        return bytes(self.bench.bus_exchange(byte, 8 * self.divider) for byte in data)

    def wait_ms(self, ms: float) -> None:
        """Lets time pass without a clock."""
        self.bench.bus_wait(self.bench.cycles(ms))

    def command(self, index: int, argument: int = 0, *, crc: int | None = None, wait: int = 16) -> int:
        """Sends a command and returns R1, or 0xFF when none came within ``wait`` bytes."""
        frame = bytes([0x40 | index]) + argument.to_bytes(4, "big")
        self.exchange(b"\xff" + frame + bytes([crc7_byte(frame) if crc is None else crc]))
        for _ in range(wait):
            answer = self.exchange(b"\xff")[0]
            if answer < 0x80:
                return answer
        return 0xFF


def crc7_byte(frame: bytes) -> int:
    """The last byte of an SD command: CRC-7 over the first five, shifted up, and a one (SD specification,
    4.5).
    """
    crc = 0
    for byte in frame:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1) ^ 0x12 if crc & 0x80 else crc << 1
    return (crc & 0xFF) | 1
