"""Reads stretches of a journal over a line that may be bad: what fails is asked for again, in smaller chunks."""

from __future__ import annotations

from offtake.errors import InputOutputError
from offtake.generated.records import BLOCK_SIZE
from offtake.link.desk import Desk

CHUNK_MIN = 32
_IDLE_TRIES_MAX = 400
"""Requests in a row that bring nothing new before the line is given up; at 5 % of bytes wrong about 25 are usual."""
_CALM_WINDOWS = 4


class WindowReader:
    """Reads whole blocks from a desk, whatever number of requests it takes.

    The chunk shrinks when more than a quarter of a request's answer is missing, and grows again after a few requests
    that came whole.
    """

    def __init__(self, desk: Desk, chunk_max: int = BLOCK_SIZE) -> None:
        self._desk = desk
        self._chunk_max = max(CHUNK_MIN, min(chunk_max, BLOCK_SIZE))
        self._chunk = self._chunk_max
        self._calm = 0
        self.asked_again = 0

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks ``first`` to ``first + count - 1`` as they lie on the card. InputOutputError: the line is too bad."""
        base = first * BLOCK_SIZE
        data = bytearray(count * BLOCK_SIZE)
        missing = set(range(0, len(data), CHUNK_MIN))

        def take(offset: int, chunk: bytes) -> None:
            at = offset - base
            data[at : at + len(chunk)] = chunk
            missing.difference_update(range(at, at + len(chunk), CHUNK_MIN))

        idle = 0
        while missing:
            before = len(missing)
            low, high = self._stretch(missing)
            self._desk.read(base + low, high - low, self._chunk, take)
            idle = 0 if len(missing) < before else idle + 1
            if idle >= _IDLE_TRIES_MAX:
                raise InputOutputError(
                    f"the line is too bad: {_IDLE_TRIES_MAX} requests brought nothing",
                    where=f"{self._desk.port.name}, byte {base + low}",
                    expected="a better line; try a lower --speed",
                )
            if missing:
                self.asked_again += 1
            self._adapt(asked=(high - low) // CHUNK_MIN, got=before - len(missing))
        return bytes(data)

    def _stretch(self, missing: set[int]) -> tuple[int, int]:
        """What to ask for next: from the first missing byte on, as much as a line this good may carry at once."""
        low = min(missing) // self._chunk * self._chunk
        high = -(-(max(missing) + CHUNK_MIN) // self._chunk) * self._chunk
        if self._chunk < self._chunk_max:
            high = min(high, low + BLOCK_SIZE)
        return low, high

    def _adapt(self, asked: int, got: int) -> None:
        if 4 * got < 3 * asked:
            self._calm = 0
            self._chunk = max(CHUNK_MIN, self._chunk // 2)
        elif got == asked:
            self._calm += 1
            if self._calm >= _CALM_WINDOWS:
                self._calm = 0
                self._chunk = min(self._chunk_max, self._chunk * 2)
