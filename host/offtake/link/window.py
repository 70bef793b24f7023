"""Reads stretches of a journal over a line that may be bad: what fails is asked for again, in smaller chunks."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

from offtake.errors import InputOutputError
from offtake.generated.records import BLOCK_SIZE
from offtake.link.desk import Desk, Stretch

CHUNK_MIN = 32
_IDLE_TRIES_MAX = 400
"""Requests in a row that bring nothing new before the line is given up; at 5 % of bytes wrong about 25 are usual."""
_CALM_WINDOWS = 4
_WINDOW_LINE_S = 0.6
_WINDOW_BLOCKS = (8, 128)


def window_blocks(baud: int) -> int:
    """Blocks to ask for at once: so many that a request's way there and back costs a few percent of them at the most,
    and no more, since the logger cannot be stopped in the middle.
    """
    least, most = _WINDOW_BLOCKS
    return max(least, min(most, int(baud / 10 * _WINDOW_LINE_S / BLOCK_SIZE)))


class _Window:
    """``count`` blocks from ``first`` on, as far as they have come."""

    def __init__(self, first: int, count: int) -> None:
        self.first = first
        self.count = count
        self.base = first * BLOCK_SIZE
        self.data = bytearray(count * BLOCK_SIZE)
        self.missing = set(range(0, len(self.data), CHUNK_MIN))

    def take(self, offset: int, chunk: bytes) -> None:
        at = offset - self.base
        if 0 <= at < len(self.data):
            self.data[at : at + len(chunk)] = chunk
            self.missing.difference_update(range(at, at + len(chunk), CHUNK_MIN))

    def whole_blocks(self) -> Iterator[tuple[int, bytes]]:
        """The stretches of blocks that have come whole, with their first block."""
        lacking = {at // BLOCK_SIZE for at in self.missing}
        for whole, numbers in groupby(range(self.count), lambda number: number not in lacking):
            stretch = list(numbers)
            if whole:
                yield (
                    self.first + stretch[0],
                    bytes(self.data[stretch[0] * BLOCK_SIZE : (stretch[-1] + 1) * BLOCK_SIZE]),
                )


class WindowReader:
    """Reads whole blocks from a desk, whatever number of requests it takes.

    The chunk shrinks when more than a quarter of a request's answer is missing, and grows again after a few requests
    that came whole. On a good line one request is under way while the answer to the one before it comes in; on a bad
    one, where requests get lost too, many small ones are sent together.
    """

    def __init__(self, desk: Desk, chunk_max: int = BLOCK_SIZE) -> None:
        self._desk = desk
        self._chunk_max = max(CHUNK_MIN, min(chunk_max, BLOCK_SIZE))
        self._chunk = self._chunk_max
        self._calm = 0
        self._swept = 0
        self.asked_again = 0

    def read_blocks(self, first: int, count: int) -> bytes:
        """Blocks ``first`` to ``first + count - 1`` as they lie on the card. InputOutputError: the line is too bad."""
        window = _Window(first, count)
        self._fill(window, None)
        return bytes(window.data)

    def stream(self, first: int, stop: int, at_once: int) -> Iterator[tuple[int, bytes]]:
        """Blocks ``first`` to ``stop - 1`` in stretches, each with its first block.

        When the port vanishes, what has come whole by then is still given, before its InputOutputError is raised.
        """
        window = _next_window(first, stop, at_once)
        while window is not None:
            ahead = _next_window(window.first + window.count, stop, at_once)
            try:
                self._fill(window, ahead)
            except (InputOutputError, KeyboardInterrupt):
                yield from window.whole_blocks()
                if ahead is not None:
                    yield from ahead.whole_blocks()
                raise
            yield window.first, bytes(window.data)
            window = ahead

    def _fill(self, window: _Window, ahead: _Window | None) -> None:
        idle = 0
        while window.missing:
            before = len(window.missing)
            self._ask(window, ahead)
            idle = 0 if len(window.missing) < before else idle + 1
            if idle >= _IDLE_TRIES_MAX:
                raise InputOutputError(
                    f"the line is too bad: {_IDLE_TRIES_MAX} requests brought nothing",
                    where=f"{self._desk.port.name}, byte {window.base + min(window.missing)}",
                    expected="a better line; try a lower --speed",
                )
            if window.missing:
                self.asked_again += 1

    def _ask(self, window: _Window, ahead: _Window | None) -> None:
        """Asks for what is missing, or for as much of it as a line this good may carry."""
        chunk = self._chunk
        came = 0

        def take(offset: int, data: bytes) -> None:
            nonlocal came
            came += len(data)
            window.take(offset, data)
            if ahead is not None:
                ahead.take(offset, data)

        if chunk < self._chunk_max:
            asked = self._desk.sweep(self._sweep(window, chunk), chunk, take)
        else:
            low = min(window.missing) // chunk * chunk
            high = -(-(max(window.missing) + CHUNK_MIN) // chunk) * chunk
            asked = high - low
            # All of what is ahead or nothing: if some of it has come, it was asked for already.
            untouched = ahead is not None and len(ahead.missing) * CHUNK_MIN == len(ahead.data)
            after = (ahead.base, len(ahead.data)) if ahead is not None and untouched else None
            self._desk.read(window.base + low, asked, chunk, take, after)
        self._adapt(asked, came)

    def _sweep(self, window: _Window, chunk: int) -> Iterator[Stretch]:
        """What is missing, from where the last sweep ended, over and over until nothing is: neighbours together, up to
        a block in one request.
        """
        while window.missing:
            later = [at for at in window.missing if at >= self._swept - window.base]
            low = min(later or window.missing) // chunk * chunk
            high = low + chunk
            while high < low + BLOCK_SIZE and not window.missing.isdisjoint(range(high, high + chunk, CHUNK_MIN)):
                high += chunk
            self._swept = window.base + high
            yield window.base + low, high - low

    def _adapt(self, asked: int, came: int) -> None:
        if 4 * came < 3 * asked:
            self._calm = 0
            self._chunk = max(CHUNK_MIN, self._chunk // 2)
        elif came >= asked:
            self._calm += 1
            if self._calm >= _CALM_WINDOWS:
                self._calm = 0
                self._chunk = min(self._chunk_max, self._chunk * 2)


def _next_window(first: int, stop: int, at_once: int) -> _Window | None:
    return _Window(first, min(at_once, stop - first)) if first < stop else None
