"""Streaming decoder of the text family: sentences between a start character and a checksum.

The scanner keeps at most one unfinished sentence, so its memory is bounded whatever the stream holds.
A start character always begins a new sentence, because it may not occur inside one; so noise before a
sentence can never swallow it. A sentence counts as soon as its checksum is complete: the line end after it
carries nothing, and a stream cut just there still has the sentence.
"""

from __future__ import annotations

import re
from functools import reduce
from operator import xor

from offtake.dialects.fields import Converter, FieldError, compile_field
from offtake.dialects.message import FAULTS_KEPT, DecodeCounts, Fault, FaultKind, FieldValue, Message
from offtake.dialects.tables import Dialect, Sentence

_CHECK_DIGITS = 2
_HEX = frozenset(b"0123456789ABCDEFabcdef")
_LINE_ENDS = frozenset(b"\r\n")
_NAME_LENGTH_MAX = 16


class SentenceDecoder:
    """Turn a stream of bytes into messages of ``dialect``.

    Feed it bytes in any portions; the messages do not depend on where the portions are cut. ``counts`` says
    what was seen, ``faults`` holds the first :data:`FAULTS_KEPT` faults with their offsets.
    """

    def __init__(self, dialect: Dialect) -> None:
        self.dialect = dialect
        self.counts = DecodeCounts()
        self.faults: list[Fault] = []
        self._pending = b""
        self._pending_offset = 0
        framing = dialect.framing
        starts = framing.starts.encode("ascii")
        self._mark = framing.check_mark.encode("ascii")[0]
        body = bytes(byte for byte in range(0x20, 0x7F) if byte not in starts and byte != self._mark)
        body_max = framing.max_length - 1 - 1 - _CHECK_DIGITS - len(framing.line_end)
        self._find_start = re.compile(b"[" + re.escape(starts) + b"]")
        self._match_body = re.compile(b"[" + re.escape(body) + b"]{0,%d}" % body_max)
        self._starts = frozenset(starts)
        self._layouts = {one.name: _Layout(one, dialect) for one in dialect.sentences}

    @property
    def pending_offset(self) -> int:
        """Stream offset of the first byte that may still become part of a message."""
        return self._pending_offset

    def feed(self, data: bytes) -> list[Message]:
        """Take the next bytes of the stream and return the messages they complete, in stream order."""
        self.counts.bytes_fed += len(data)
        buffer = self._pending + data
        messages: list[Message] = []
        position = 0
        while position < len(buffer):
            found = self._find_start.search(buffer, position)
            start = found.start() if found else len(buffer)
            self._count_between(buffer[position:start])
            position = self._take(buffer, start, messages) if found else start
            if position == start and found:
                break
        self._pending = buffer[position:]
        self._pending_offset += position
        return messages

    def lose(self) -> None:
        """Say that bytes of the stream are missing here: an unfinished sentence is given up, not joined."""
        if self._pending:
            self._fault("broken", 0, len(self._pending), "cut off by a loss or the end of the stream")
            self._pending_offset += len(self._pending)
            self._pending = b""

    def finish(self) -> None:
        """Say that the stream ends here; an unfinished sentence is counted as broken."""
        self.lose()

    def _take(self, buffer: bytes, start: int, messages: list[Message]) -> int:
        """Judge the sentence at ``start``; return where to go on, or ``start`` when more bytes are needed."""
        body = self._match_body.match(buffer, start + 1)
        end = body.end() if body else start + 1
        if end == len(buffer):
            return start
        after = buffer[end]
        if after == self._mark:
            return self._take_checked(buffer, start, end, messages)
        if after in _LINE_ENDS:
            return self._fault("without_checksum", start, end, "line end without a checksum")
        if after in self._starts:
            return self._fault("broken", start, end, "another sentence starts inside")
        if 0x20 <= after <= 0x7E:
            limit = self.dialect.framing.max_length
            return self._fault("overlong", start, end, f"no checksum within {limit} bytes")
        return self._fault("broken", start, end, f"byte 0x{after:02X} is not printable ASCII")

    def _take_checked(self, buffer: bytes, start: int, mark: int, messages: list[Message]) -> int:
        digits = buffer[mark + 1 : mark + 1 + _CHECK_DIGITS]
        if not _HEX.issuperset(digits):
            return self._fault("broken", start, mark + 1, "the checksum is not two hexadecimal digits")
        if len(digits) < _CHECK_DIGITS:
            return start
        end = mark + 1 + _CHECK_DIGITS
        computed = reduce(xor, buffer[start + 1 : mark], 0)
        if computed != int(digits, 16):
            detail = f"checksum {digits.decode('ascii')}, computed {computed:02X}"
            return self._fault("bad_checksum", start, end, detail)
        self.counts.sentence_bytes += end - start
        messages.append(self._decode(buffer[start:end], self._pending_offset + start))
        return end

    def _decode(self, raw: bytes, offset: int) -> Message:
        address_rule = self.dialect.address
        columns = raw[1 : -1 - _CHECK_DIGITS].decode("ascii").split(self.dialect.framing.separator)
        address = columns[0]
        proprietary = address.startswith(address_rule.proprietary)
        split = len(address_rule.proprietary) if proprietary else address_rule.talker_letters
        talker, name = address[:split], address[split:]
        layout = self._layouts.get(address if proprietary else name)
        well_formed = proprietary or len(name) == address_rule.name_letters
        if layout is None or not well_formed:
            self.counts.add_unknown(address[:_NAME_LENGTH_MAX])
            return Message(self.dialect.name, talker, name, offset, raw, "unknown", "", {})
        values, reason = layout.decode(columns)
        if reason:
            self.counts.invalid += 1
            return Message(self.dialect.name, talker, name, offset, raw, "invalid", reason, values)
        self.counts.decoded += 1
        return Message(self.dialect.name, talker, name, offset, raw, "decoded", "", values)

    def _fault(self, kind: FaultKind, start: int, end: int, detail: str) -> int:
        setattr(self.counts, kind, getattr(self.counts, kind) + 1)
        self.counts.noise_bytes += end - start
        if len(self.faults) < FAULTS_KEPT:
            self.faults.append(Fault(kind, self._pending_offset + start, detail))
        return end

    def _count_between(self, between: bytes) -> None:
        line_ends = between.count(b"\r") + between.count(b"\n")
        self.counts.line_end_bytes += line_ends
        self.counts.noise_bytes += len(between) - line_ends


class _Layout:
    """One sentence's converters, ready to run."""

    def __init__(self, sentence: Sentence, dialect: Dialect) -> None:
        self._full = sentence.columns_full
        self._min = sentence.columns_min
        self._groups = next((field for field in sentence.fields if field.kind == "groups"), None)
        self._converters: list[tuple[str, Converter]] = [
            (field.name, compile_field(field, dialect)) for field in sentence.fields
        ]

    def decode(self, columns: list[str]) -> tuple[dict[str, FieldValue], str]:
        """Return values by name, and the first reason why the sentence is invalid (empty: it is valid)."""
        given = len(columns) - 1
        if given < self._min:
            return {}, f"{given} columns, expected at least {self._min}"
        reason = ""
        values: dict[str, FieldValue] = {}
        try:
            full = self._pad(columns)
        except FieldError as error:
            return {}, str(error)
        for name, convert in self._converters:
            try:
                values[name] = convert(full)
            except FieldError as error:
                reason = reason or str(error)
        return values, reason

    def _pad(self, columns: list[str]) -> list[str]:
        """Bring the columns to the full form: missing groups and missing trailing fields become empty."""
        if self._groups is None:
            return columns + [""] * (self._full + 1 - len(columns))
        width = self._groups.group_columns
        tail_full = self._full - self._groups.end
        present, tail = divmod(len(columns) - self._groups.at, width)
        if tail > tail_full or present > self._groups.count:
            raise FieldError(f"{len(columns) - 1} columns do not make whole groups of {width}")
        split = self._groups.at + present * width
        missing = [""] * ((self._groups.count - present) * width)
        return columns[:split] + missing + columns[split:] + [""] * (tail_full - tail)
