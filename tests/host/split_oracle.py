"""The stream parted by dialect, message by message: what :mod:`offtake.export.split` does many messages at a time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.stream import StreamChunk
from offtake.dialects.tables import AnyDialect, Dialect
from offtake.export.split import REST

LINE_ENDS = (b"\r\n", b"\n", b"\r")


def split_one_by_one(chunks: Iterable[StreamChunk], dialects: Sequence[AnyDialect]) -> dict[str, bytes]:
    """The bytes of each dialect and of the rest, by name."""
    splitter = _Splitter({one.name for one in dialects if isinstance(one, Dialect)}, [one.name for one in dialects])
    decoder = StreamDecoder(dialects)
    for chunk in chunks:
        if chunk.after_loss:
            splitter.take(b"", decoder.lose(), decoder.pending_offset)
            splitter.part()
        splitter.take(chunk.data, decoder.feed(chunk.data), decoder.pending_offset)
    splitter.take(b"", decoder.finish(), decoder.pending_offset)
    splitter.part()
    return {name: bytes(data) for name, data in splitter.files.items()}


class _Splitter:
    def __init__(self, text_dialects: set[str], names: Sequence[str]) -> None:
        self.files = {name: bytearray() for name in (*names, REST)}
        self._text_dialects = text_dialects
        self._undecided = bytearray()
        self._offset = 0
        self._line_of: str | None = None

    def take(self, data: bytes, messages: Iterable[Message], decided: int) -> None:
        """Take the stream's next bytes, the messages now known, and the offset before which all is decided."""
        self._undecided += data
        at = 0
        for message in messages:
            start = message.offset - self._offset
            self._between(self._undecided[at:start], whole=True)
            at = start + len(message.raw)
            self.files[message.dialect] += self._undecided[start:at]
            self._line_of = message.dialect if message.dialect in self._text_dialects else None
        end = decided - self._offset
        kept = self._between(self._undecided[at:end], whole=False)
        del self._undecided[: end - kept]
        self._offset = decided - kept

    def part(self) -> None:
        """Bytes are missing here, or the stream ends: no line end to come belongs to a sentence before."""
        self._between(self._undecided, whole=True)
        self._offset += len(self._undecided)
        self._undecided.clear()

    def _between(self, data: bytes | bytearray, whole: bool) -> int:
        """Take what lies between messages; the bytes at its end that must wait, when more may follow."""
        line_of = self._line_of
        if line_of is None:
            self.files[REST] += data
            return 0
        if not whole and data in (b"", b"\r"):
            return len(data)
        line_end = next((one for one in LINE_ENDS if data.startswith(one)), b"")
        self._line_of = None
        self.files[line_of] += line_end
        self.files[REST] += data[len(line_end) :]
        return 0
