"""Streaming decoder: one stream of bytes, several dialects at once, noise between.

Wherever a message may begin, the dialects that begin with that byte judge it. A whole one is taken and the scan goes
on behind it, so a whole frame of one dialect inside a whole frame of another (an outer one carrying it) is the outer
one's payload and not taken a second time. Where two dialects both find a message at the same place, the one that knows
its kind wins, then the one named first.

What turns out to be none costs one byte: the scan goes on right after its first byte, so a false start, a wrong length
or a cut-off frame never swallows a whole message behind it, unless its check fits by chance (one in 65,536 for a check
of 16 bits); then it covers what its length says. At most one unfinished message is kept, so memory is bounded by the
longest message of the dialects, whatever the stream holds.
"""

from __future__ import annotations

from collections.abc import Sequence

from offtake.dialects.framer import MORE, NOT_A_START, Broken, Verdict
from offtake.dialects.jury import Jury
from offtake.dialects.message import FAULTS_KEPT, DecodeCounts, DialectCounts, Fault, Message
from offtake.dialects.tables import AnyDialect


class StreamDecoder:
    """Turn a stream of bytes into messages of ``dialects``.

    Feed it bytes in any portions; the messages do not depend on where the portions are cut. ``counts`` says
    what was seen, ``faults`` holds the first :data:`~offtake.dialects.message.FAULTS_KEPT` faults with their offsets.
    Raises :class:`~offtake.errors.UsageError` without a dialect, and when two have the same name.
    """

    def __init__(self, dialects: Sequence[AnyDialect]) -> None:
        self._jury = Jury(dialects)
        self.counts = DecodeCounts(dialects={name: DialectCounts() for name in self._jury.names})
        self.faults: list[Fault] = []
        self._pending = b""
        self._pending_offset = 0

    @property
    def pending_offset(self) -> int:
        """Stream offset of the first byte that may still become part of a message."""
        return self._pending_offset

    def feed(self, data: bytes) -> list[Message]:
        """Take the next bytes of the stream and return the messages they complete, in stream order."""
        self.counts.bytes_fed += len(data)
        return self._scan(self._pending + data, last=False)

    def lose(self) -> list[Message]:
        """Say that bytes of the stream are missing here: an unfinished message is given up, not joined.

        Returns whole messages that had waited behind something unfinished.
        """
        return self._scan(self._pending, last=True)

    def finish(self) -> list[Message]:
        """Say that the stream ends here; as :meth:`lose`."""
        return self.lose()

    def _scan(self, buffer: bytes, last: bool) -> list[Message]:
        messages: list[Message] = []
        position, size = 0, len(buffer)
        while position < size:
            found = self._jury.find_start.search(buffer, position)
            start = found.start() if found else size
            if start > position:
                self._count_between(buffer[position:start])
            position = start
            if found is None:
                break
            verdict = self._jury.judge(buffer, start, self._pending_offset + start, last=last)
            if isinstance(verdict, Message):
                self._count_message(verdict)
                messages.append(verdict)
                position += len(verdict.raw)
            elif verdict == MORE and not last:
                break
            else:
                self._count_fault(verdict, start, size)
                position += 1
        self._pending = buffer[position:]
        self._pending_offset += position
        return messages

    def _count_between(self, between: bytes) -> None:
        line_ends = between.count(b"\r") + between.count(b"\n")
        self.counts.line_end_bytes += line_ends
        self.counts.noise_bytes += len(between) - line_ends

    def _count_message(self, message: Message) -> None:
        counts = self.counts
        counts.message_bytes += len(message.raw)
        if message.state == "unknown":
            counts.add_unknown(message.key)
        elif message.state == "invalid":
            counts.invalid += 1
        else:
            counts.decoded += 1
        counts.dialects[message.dialect].add(message)

    def _count_fault(self, verdict: Verdict, start: int, size: int) -> None:
        self.counts.noise_bytes += 1
        if verdict == NOT_A_START:
            return
        if not isinstance(verdict, Broken):
            verdict = Broken("broken", f"cut off after {size - start} bytes by a loss or the end of the stream")
        setattr(self.counts, verdict.kind, getattr(self.counts, verdict.kind) + 1)
        if len(self.faults) < FAULTS_KEPT:
            self.faults.append(Fault(verdict.kind, self._pending_offset + start, verdict.detail))
