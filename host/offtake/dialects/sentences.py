"""Text family: sentences between a start character and a checksum.

A start character always begins a new sentence, because it may not occur inside one; so noise before a
sentence can never swallow it. A sentence counts as soon as its checksum is complete: the line end after it
carries nothing, and a stream cut just there still has the sentence.
"""

from __future__ import annotations

import re

from offtake.dialects.checks import xor8
from offtake.dialects.fields import Converter, FieldError, compile_field
from offtake.dialects.framer import MORE, Broken, Verdict
from offtake.dialects.message import FieldValue, Message
from offtake.dialects.tables import Dialect, Sentence

_CHECK_DIGITS = 2
_HEX = frozenset(b"0123456789ABCDEFabcdef")
_LINE_ENDS = frozenset(b"\r\n")
NAME_LENGTH_MAX = 16


class SentenceFramer:
    """Judges sentences of ``dialect``; see :class:`offtake.dialects.framer.Framer`."""

    def __init__(self, dialect: Dialect) -> None:
        self.name = dialect.name
        self._dialect = dialect
        framing = dialect.framing
        starts = framing.starts.encode("ascii")
        self.first_bytes = frozenset(starts)
        self._mark = framing.check_mark.encode("ascii")[0]
        body = bytes(byte for byte in range(0x20, 0x7F) if byte not in starts and byte != self._mark)
        self.reach = framing.max_length
        body_max = framing.max_length - 1 - 1 - _CHECK_DIGITS - len(framing.line_end)
        self._match_body = re.compile(b"[" + re.escape(body) + b"]{0,%d}" % body_max)
        self._layouts = {one.name: _Layout(one, dialect) for one in dialect.sentences}

    def judge(self, buffer: bytes, start: int, offset: int) -> Verdict:
        """Judge the sentence at ``start``."""
        body = self._match_body.match(buffer, start + 1)
        end = body.end() if body else start + 1
        if end == len(buffer):
            return MORE
        after = buffer[end]
        if after == self._mark:
            return self._checked(buffer, start, end, offset)
        if after in _LINE_ENDS:
            return Broken("without_checksum", "line end without a checksum")
        if after in self.first_bytes:
            return Broken("broken", "another sentence starts inside")
        if 0x20 <= after <= 0x7E:
            return Broken("overlong", f"no checksum within {self._dialect.framing.max_length} bytes")
        return Broken("broken", f"byte 0x{after:02X} is not printable ASCII")

    def _checked(self, buffer: bytes, start: int, mark: int, offset: int) -> Verdict:
        digits = buffer[mark + 1 : mark + 1 + _CHECK_DIGITS]
        if not _HEX.issuperset(digits):
            return Broken("broken", "the checksum is not two hexadecimal digits")
        if len(digits) < _CHECK_DIGITS:
            return MORE
        computed = xor8(buffer[start + 1 : mark])
        if computed != int(digits, 16):
            return Broken("bad_checksum", f"checksum {digits.decode('ascii')}, computed {computed:02X}")
        return self._decode(buffer[start : mark + 1 + _CHECK_DIGITS], offset)

    def _decode(self, raw: bytes, offset: int) -> Message:
        address_rule = self._dialect.address
        columns = raw[1 : -1 - _CHECK_DIGITS].decode("ascii").split(self._dialect.framing.separator)
        address = columns[0]
        proprietary = address.startswith(address_rule.proprietary)
        split = len(address_rule.proprietary) if proprietary else address_rule.talker_letters
        talker, name, key = address[:split], address[split:], address[:NAME_LENGTH_MAX]
        layout = self._layouts.get(address if proprietary else name)
        well_formed = proprietary or len(name) == address_rule.name_letters
        if layout is None or not well_formed:
            return Message(self.name, talker, name, offset, raw, "unknown", "", {}, key)
        values, reason = layout.decode(columns)
        return Message(self.name, talker, name, offset, raw, "invalid" if reason else "decoded", reason, values, key)


class _Layout:
    """One sentence's converters, ready to run."""

    def __init__(self, sentence: Sentence, dialect: Dialect) -> None:
        self._full = sentence.columns_full
        self._min = sentence.columns_min
        groups = next((field for field in sentence.fields if field.kind == "groups"), None)
        self._groups = (groups.at, groups.group_columns, groups.count, groups.end) if groups else None
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
        at, width, count, end = self._groups
        tail_full = self._full - end
        present, tail = divmod(len(columns) - at, width)
        if tail > tail_full or present > count:
            raise FieldError(f"{len(columns) - 1} columns do not make whole groups of {width}")
        split = at + present * width
        missing = [""] * ((count - present) * width)
        return columns[:split] + missing + columns[split:] + [""] * (tail_full - tail)
