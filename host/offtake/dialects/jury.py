"""What several dialects say together about one place of a stream."""

from __future__ import annotations

import re
from collections.abc import Sequence

from offtake.dialects.binary import BinaryFramer
from offtake.dialects.framer import MORE, NOT_A_START, Framer, Verdict
from offtake.dialects.message import Message
from offtake.dialects.sentences import SentenceFramer
from offtake.dialects.tables import AnyDialect, BinaryDialect
from offtake.errors import UsageError


class Jury:
    """The framers of ``dialects``. ``find_start`` finds bytes with which a message of one of them may begin; no more
    than ``reach`` bytes are needed to tell what begins at a place.

    Raises :class:`~offtake.errors.UsageError` without a dialect, and when two have the same name.
    """

    def __init__(self, dialects: Sequence[AnyDialect]) -> None:
        self.names = tuple(dialect.name for dialect in dialects)
        if not self.names or len(set(self.names)) != len(self.names):
            what = f"dialects {', '.join(self.names) or 'none'}"
            raise UsageError(what, expected="at least one, each with its own name")
        framers: list[Framer] = [
            BinaryFramer(one) if isinstance(one, BinaryDialect) else SentenceFramer(one) for one in dialects
        ]
        firsts = sorted(set().union(*(framer.first_bytes for framer in framers)))
        self._framers = {first: [framer for framer in framers if first in framer.first_bytes] for first in firsts}
        self.find_start = re.compile(b"[" + re.escape(bytes(firsts)) + b"]")
        self.reach = max(framer.reach for framer in framers)

    def judge(self, buffer: bytes, start: int, offset: int, *, last: bool) -> Verdict:
        """What the dialects that begin with the byte at ``start`` say about it, as one verdict.

        While one of them needs more bytes the others wait, unless these were the ``last`` ones: who wins may not depend
        on how the stream was cut. ``offset`` is the stream offset of the byte.
        """
        framers = self._framers[buffer[start]]
        if len(framers) == 1:
            return framers[0].judge(buffer, start, offset)
        verdicts = [framer.judge(buffer, start, offset) for framer in framers]
        messages = [verdict for verdict in verdicts if isinstance(verdict, Message)]
        if messages and (last or MORE not in verdicts):
            return next((message for message in messages if message.state != "unknown"), messages[0])
        if MORE in verdicts:
            return MORE
        return next((verdict for verdict in verdicts if verdict != NOT_A_START), NOT_A_START)
