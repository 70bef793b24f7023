"""Messages as a run describes them itself: ``description`` frames, and payloads decoded by them, without a spec.

A description's payload is ``u8 form (1), u8 code, text name``, then the fields to its end, where ``text`` is ``u8 n``
and n bytes. A field is ``u8 kind, text name`` and then what the kind announces, in this order: ``u8 count`` (elements
of an array, bytes of a byte string or text; without it those are the variable tail), a scale (``u8``: 0x80 + fraction
bits, or 64 + exponent and then a u16 mantissa), ``text unit``, and choices (``u8`` how many, bit 7 set for flags; each
``u8`` value or bit, ``text name``).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from offtake.generated.records import Status
from offtake.records import Value, flag_names, text_of
from offtake.spec.model import WIRE_SIZES, Scale

FORM = 1
KINDS = ("u8", "u16", "u32", "i8", "i16", "i32", "bytes", "text")
COUNT_FOLLOWS, SCALE_FOLLOWS, UNIT_FOLLOWS, CHOICES_FOLLOW = 0x10, 0x20, 0x40, 0x80
SCALE_ZERO, SCALE_FIXED_POINT = 64, 0x80
SET_OF_FLAGS = 0x80

_KIND_MASK = 0x0F
_FRACTION_BITS_MAX = 31
_BIT_MAX = 31
_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")


@dataclass(frozen=True)
class DescribedField:
    """One field. ``kind`` is one of KINDS. ``size`` is in bytes, None for the variable tail; ``count`` the number of
    elements of an array, None for a single value. ``choices`` maps values (of flags: bit numbers) to names."""

    name: str
    kind: str
    size: int | None
    count: int | None = None
    scale: Scale | None = None
    unit: str = ""
    choices: Mapping[int, str] | None = None
    is_flags: bool = False

    def value(self, data: bytes) -> Value:
        """What the field's bytes mean: scaled, choices by name (the number where none fits), text to its first zero."""
        if self.kind == "bytes":
            return data
        if self.kind == "text":
            return text_of(data)
        one = WIRE_SIZES[self.kind]
        numbers = [
            int.from_bytes(data[at : at + one], "little", signed=self.kind[0] == "i") for at in range(0, len(data), one)
        ]
        if self.count is None:
            return self._of_number(numbers[0])
        return tuple(self.scale.apply(raw) if self.scale else raw for raw in numbers)

    def _of_number(self, raw: int) -> Value:
        if self.scale:
            return self.scale.apply(raw)
        if self.choices is None:
            return raw
        if self.is_flags:
            return flag_names(raw, self.choices)
        return self.choices.get(raw, raw)


@dataclass(frozen=True)
class DescribedMessage:
    """A message as a run described it."""

    code: int
    name: str
    fields: tuple[DescribedField, ...]

    @cached_property
    def fixed_size(self) -> int:
        """Bytes before the variable tail."""
        return sum(f.size for f in self.fields if f.size is not None)

    def decode(self, payload: bytes) -> tuple[Status, dict[str, Value]]:
        """The values in ``payload`` by field name: OK, or SHORT_PAYLOAD with those fields that are wholly there.

        Bytes after the last field are ignored. Ranges are not described, so no value is out of range.
        """
        values: dict[str, Value] = {}
        at = 0
        for f in self.fields:
            end = len(payload) if f.size is None else at + f.size
            if end > len(payload) or at > len(payload):
                return Status.SHORT_PAYLOAD, values
            values[f.name] = f.value(payload[at:end])
            at = end
        return Status.OK, values


class _BadDescriptionError(ValueError):
    """Bytes that are no description; never leaves this module."""


class _Reader:
    """Takes pieces off the front of untrusted bytes."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def ended(self) -> bool:
        return self._at == len(self._data)

    def take(self, count: int) -> bytes:
        piece = self._data[self._at : self._at + count]
        _require(len(piece) == count)
        self._at += count
        return piece

    def byte(self) -> int:
        return self.take(1)[0]

    def name(self) -> str:
        word = self.take(self.byte()).decode("ascii")
        # Names become columns and keys elsewhere; the spec allows no others.
        _require(_NAME.match(word) is not None)
        return word

    def unit(self) -> str:
        word = self.take(self.byte()).decode("utf-8")
        _require(word.isprintable())
        return word


def _require(holds: bool) -> None:
    if not holds:
        raise _BadDescriptionError


def parse_description(payload: bytes) -> DescribedMessage | None:
    """Read the payload of a ``description`` frame; None for what is no description that this version can read."""
    reader = _Reader(payload)
    try:
        _require(reader.byte() == FORM)
        code = reader.byte()
        _require(1 <= code <= 127)
        name = reader.name()
        fields: dict[str, DescribedField] = {}
        tail = False
        while not reader.ended():
            f = _field(reader)
            _require(not tail and f.name not in fields)
            tail = f.size is None
            fields[f.name] = f
    except (_BadDescriptionError, UnicodeDecodeError):
        return None
    return DescribedMessage(code, name, tuple(fields.values()))


def _field(reader: _Reader) -> DescribedField:
    bits = reader.byte()
    _require(bits & _KIND_MASK < len(KINDS))
    kind = KINDS[bits & _KIND_MASK]
    name = reader.name()
    count = reader.byte() if bits & COUNT_FOLLOWS else None
    scale = _scale(reader) if bits & SCALE_FOLLOWS else None
    unit = reader.unit() if bits & UNIT_FOLLOWS else ""
    choices, is_flags = _choices(reader) if bits & CHOICES_FOLLOW else (None, False)
    _require(count != 0)
    if kind in WIRE_SIZES:
        _require(choices is None or (count is None and scale is None))
        return DescribedField(name, kind, WIRE_SIZES[kind] * (count or 1), count, scale, unit, choices, is_flags)
    _require(scale is None and choices is None)
    return DescribedField(name, kind, count, None, None, unit)


def _scale(reader: _Reader) -> Scale:
    what = reader.byte()
    if what >= SCALE_FIXED_POINT:
        _require(1 <= what - SCALE_FIXED_POINT <= _FRACTION_BITS_MAX)
        return Scale(1, 0, what - SCALE_FIXED_POINT)
    mantissa = int.from_bytes(reader.take(2), "little")
    _require(mantissa > 0)
    return Scale(mantissa, what - SCALE_ZERO)


def _choices(reader: _Reader) -> tuple[dict[int, str], bool]:
    head = reader.byte()
    is_flags = head >= SET_OF_FLAGS
    choices: dict[int, str] = {}
    for _ in range(head % SET_OF_FLAGS):
        value, name = reader.byte(), reader.name()
        _require(value not in choices and (not is_flags or value <= _BIT_MAX))
        choices[value] = name
    return choices, is_flags
