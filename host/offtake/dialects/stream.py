"""The receiver's stream as the journal gives it, and messages with the ticks of their first bytes."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.errors import UsageError

# Start bit, eight data bits, stop bit.
BITS_PER_BYTE = 10


@dataclass(frozen=True)
class StreamChunk:
    """Bytes of one run that came without a pause.

    ``tick_us`` is the time of the chunk's first byte in microseconds since power-up, unwrapped;
    ``after_loss`` says that bytes were lost just before it.
    """

    tick_us: int
    data: bytes
    after_loss: bool


@dataclass(frozen=True, slots=True)
class TimedMessage:
    """A message and when it came.

    ``tick_us`` is the time of its first byte in microseconds since power-up; ``quiet_before_us`` the longest
    pause on the line since the message before; ``after_loss`` says that bytes were lost since then.
    """

    message: Message
    tick_us: int
    quiet_before_us: int
    after_loss: bool


def byte_time_us(index: int, baud: int) -> int:
    """Return the time from a chunk's first byte to byte ``index`` of it, in microseconds, rounded."""
    return (index * BITS_PER_BYTE * 1_000_000 + baud // 2) // baud


def decode_stream(
    chunks: Iterable[StreamChunk], decoder: StreamDecoder, baud: int
) -> Iterator[TimedMessage]:
    """Decode a run's chunks, in order, to messages of any state with their ticks.

    ``decoder`` must be fresh: its stream offsets count the bytes of these chunks. A message is never joined
    over a loss. Raises :class:`~offtake.errors.UsageError` when ``baud`` is not positive.
    """
    if baud <= 0:
        raise UsageError(f"a speed of {baud} baud", expected="a positive number")
    marks = _Marks()
    offset = 0
    free_us: int | None = None
    for chunk in chunks:
        if chunk.after_loss:
            yield from (marks.timed(message, baud) for message in decoder.lose())
        quiet_us = 0 if free_us is None else max(0, chunk.tick_us - free_us)
        marks.add(_Mark(offset, chunk.tick_us, quiet_us, chunk.after_loss))
        offset += len(chunk.data)
        free_us = chunk.tick_us + byte_time_us(len(chunk.data), baud)
        yield from (marks.timed(message, baud) for message in decoder.feed(chunk.data))
        marks.fold(decoder.pending_offset)
    yield from (marks.timed(message, baud) for message in decoder.finish())


@dataclass(frozen=True, slots=True)
class _Mark:
    """The start of a chunk; with the longest pause and any loss since the message before."""

    offset: int
    tick_us: int
    quiet_us: int
    after_loss: bool


class _Marks:
    """Chunk starts that bytes still to be timed may need: few, however long the stream is."""

    def __init__(self) -> None:
        self._marks: deque[_Mark] = deque()

    def add(self, mark: _Mark) -> None:
        self._marks.append(mark)

    def fold(self, offset: int) -> None:
        """Join all marks at or before ``offset`` into the last of them."""
        marks = self._marks
        while len(marks) > 1 and marks[1].offset <= offset:
            first, second = marks.popleft(), marks.popleft()
            quiet_us = max(first.quiet_us, second.quiet_us)
            after_loss = first.after_loss or second.after_loss
            marks.appendleft(_Mark(second.offset, second.tick_us, quiet_us, after_loss))

    def timed(self, message: Message, baud: int) -> TimedMessage:
        """Return ``message`` with its tick; the pause and the loss before it are used up."""
        self.fold(message.offset)
        mark = self._marks[0]
        self._marks[0] = _Mark(mark.offset, mark.tick_us, 0, False)
        tick_us = mark.tick_us + byte_time_us(message.offset - mark.offset, baud)
        return TimedMessage(message, tick_us, mark.quiet_us, mark.after_loss)
