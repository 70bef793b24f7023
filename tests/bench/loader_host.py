"""The computer's side of a serial boot loader, on the bench's own time: no pty, no waiting, the same run every time.

STK500 version 1 (application note AVR061; memory): each command ends with 20, its answer is 14 .. 10.
"""

from __future__ import annotations

from collections.abc import Iterator

from offtake.bench.board import Bench
from offtake.bench.figures import Reset

PAGE_BYTES = 128
STEP_MS = 0.25
ANSWER_MS = 60.0


class SilentError(Exception):
    """The boot loader did not answer."""


class LoaderHost:
    """Talks to the loader of a bench at ``baud``. What yields does so after each stretch of chip time, when the caller
    may look at the bench, or cut its power.
    """

    def __init__(self, bench: Bench, baud: int) -> None:
        self.bench = bench
        self.baud = baud

    def ask(self, command: bytes, answer_bytes: int = 0) -> Iterator[bytes]:
        """Sends a command; yields nothing but time until its answer is whole, and that last."""
        self.bench.host_take(self.baud)
        self.bench.host_send(command + b" ", self.baud)
        heard = b""
        end = self.bench.line_end + self.bench.cycles(ANSWER_MS)
        while len(heard) < answer_bytes + 2:
            if self.bench.cycle > end:
                raise SilentError(command[:1])
            self.bench.run_ms(STEP_MS)
            heard += self.bench.host_take(self.baud)
            yield b""
        assert heard[:1] == b"\x14", heard
        assert heard[-1:] == b"\x10", heard
        yield heard[1:-1]

    def wake(self) -> None:
        """Resets the board and calls the loader until it answers."""
        self.bench.reset(Reset.EXTERNAL)
        self.bench.run_ms(500)
        self.bench.host_forget()
        for _ in range(5):
            try:
                list(self.ask(b"0"))
            except (SilentError, AssertionError):
                continue
            return
        raise SilentError("no answer after a reset")

    def write(self, image: bytes) -> Iterator[None]:
        """Writes an image page by page, yielding after every stretch of chip time."""
        for at in range(0, len(image), PAGE_BYTES):
            page = image[at : at + PAGE_BYTES].ljust(PAGE_BYTES, b"\xff")
            word = at // 2
            for command in (b"U" + word.to_bytes(2, "little"), b"d\x00\x80F" + page):
                for _ in self.ask(command):
                    yield None

    def read(self, size: int) -> bytes:
        """What the loader reads of its flash from address 0."""
        got = b""
        for at in range(0, size, PAGE_BYTES):
            list(self.ask(b"U" + (at // 2).to_bytes(2, "little")))
            got += list(self.ask(b"t\x00\x80F", PAGE_BYTES))[-1]
        return got[:size]
