"""The shape of a dialect's decoder tables.

:mod:`offtake.spec.dialect` fills these from TOML, :mod:`offtake.codegen.dialects_py` writes them out as
Python, and the decoders read them. They hold data only, so an installed package needs no TOML.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

FieldKind = Literal[
    "time_of_day",
    "date_ddmmyy",
    "date_parts",
    "latitude",
    "longitude",
    "number",
    "signed_number",
    "integer",
    "letter",
    "letters",
    "text",
    "list",
    "groups",
]
FIELD_KINDS: tuple[str, ...] = get_args(FieldKind)


@dataclass(frozen=True)
class LetterSet:
    """Code letters and the names they decode to; ``other`` names the unlisted ones (``None``: invalid)."""

    name: str
    doc: str
    codes: tuple[tuple[str, str], ...]
    other: str | None = None


@dataclass(frozen=True)
class Field:
    """One value of a sentence. ``at`` is its first column, from 1 (inside ``groups``: within the group)."""

    name: str
    kind: FieldKind
    at: int
    doc: str
    unit: str = ""
    optional: bool = False
    minimum: int | float | None = None
    maximum: int | float | None = None
    base: int = 10
    unit_letter: str = ""
    positive: str = ""
    negative: str = ""
    letters: str = ""
    count: int = 1
    fields: tuple[Field, ...] = ()

    @property
    def columns(self) -> int:
        """Columns the field takes in a full sentence."""
        if self.kind == "groups":
            return self.count * self.group_columns
        if self.kind == "list":
            return self.count
        if self.kind == "date_parts":
            return 3
        if self.kind in ("latitude", "longitude", "signed_number") or self.unit_letter:
            return 2
        return 1

    @property
    def group_columns(self) -> int:
        """Columns of one group of a ``groups`` field."""
        return max((inner.at + inner.columns - 1 for inner in self.fields), default=0)

    @property
    def end(self) -> int:
        """Last column the field takes."""
        return self.at + self.columns - 1


@dataclass(frozen=True)
class Sentence:
    """One kind of sentence and its fields, by column."""

    name: str
    doc: str
    fields: tuple[Field, ...]

    @property
    def columns_full(self) -> int:
        """Columns of the longest form known here."""
        return max(field.end for field in self.fields)

    @property
    def columns_min(self) -> int:
        """Columns without which the sentence is incomplete; groups may be missing altogether."""
        needed = [field for field in self.fields if not field.optional]
        return max((field.at - 1 if field.kind == "groups" else field.end for field in needed), default=0)


@dataclass(frozen=True)
class Framing:
    """How a sentence is told from noise. ``max_length`` counts bytes from start character to line end."""

    starts: str
    separator: str
    check: Literal["xor8"]
    check_mark: str
    line_end: str
    max_length: int


@dataclass(frozen=True)
class Address:
    """How the first column splits into talker and sentence name."""

    talker_letters: int
    name_letters: int
    proprietary: str


@dataclass(frozen=True)
class Dialect:
    """A receiver's output format of the text family."""

    name: str
    title: str
    family: Literal["sentence"]
    doc: str
    framing: Framing
    address: Address
    letters: tuple[LetterSet, ...]
    sentences: tuple[Sentence, ...]

    def letter_set(self, name: str) -> LetterSet:
        """Return the letter set called ``name``; raises :class:`KeyError` when there is none."""
        return _letter_set(self.letters, name)


BinaryKind = Literal["number", "code", "flag", "mask", "text", "date", "time_of_day", "groups"]
BINARY_KINDS: tuple[str, ...] = get_args(BinaryKind)
Encoding = Literal["unsigned", "signed", "sign_magnitude"]


@dataclass(frozen=True)
class BinaryField:
    """One value of a binary message.

    ``bit`` and ``bits`` say where its raw integer lies, from the payload's (inside ``groups``: the group's) first bit.
    In a little-endian dialect both are whole bytes; ``part_bits`` > 0 then picks bits ``part_low`` and up out of that
    integer. The value is ``(raw * fine_ratio + fine) * scale_up / scale_down``, an integer when ``scale_down`` is 1;
    ``fine`` is a signed byte at ``fine_bit`` (-1: none). Raw values in ``absent`` mean: not known; so does a flag named
    in ``when`` that is not set. A ``date`` is a 16-bit year, month and day in a row, a ``time_of_day`` hour, minute and
    second, with a signed 32-bit number of nanoseconds at ``fraction_bit`` (-1: none) to add; a date that says
    ``time_bit`` goes back a day where that sum lies before midnight. ``groups`` repeat ``count_field`` times, or, when
    that is empty, to the payload's end.
    """

    name: str
    kind: BinaryKind
    doc: str
    bit: int
    bits: int
    encoding: Encoding = "unsigned"
    part_low: int = 0
    part_bits: int = 0
    unit: str = ""
    scale_up: int = 1
    scale_down: int = 1
    fine_bit: int = -1
    fine_ratio: int = 1
    minimum: int | float | None = None
    maximum: int | float | None = None
    absent: tuple[int, ...] = ()
    when: str = ""
    letters: str = ""
    fraction_bit: int = -1
    time_bit: int = -1
    count_field: str = ""
    fields: tuple[BinaryField, ...] = ()

    @property
    def end_bit(self) -> int:
        """The first bit after everything the field reads; of ``groups`` the start of the first one."""
        if self.kind == "groups":
            return self.bit
        ends = [self.bit + self.bits]
        others = ((self.fine_bit, 8), (self.fraction_bit, 32), (self.time_bit, 24))
        ends += [at + size for at, size in others if at >= 0]
        return max(ends)

    @property
    def is_whole(self) -> bool:
        """Whether a ``number`` is an integer."""
        return self.scale_down == 1


@dataclass(frozen=True)
class BinaryMessage:
    """One kind of message, under one or more ``keys``; ``payload_min`` is the shortest payload in bytes that has all
    its fields (groups apart)."""

    name: str
    doc: str
    keys: tuple[int, ...]
    payload_min: int
    fields: tuple[BinaryField, ...]


@dataclass(frozen=True)
class HeaderField:
    """A number between sync bytes and payload; a frame in which it is not ``must_be`` is none."""

    name: str
    bits: int
    must_be: int | None = None


@dataclass(frozen=True)
class BinaryFraming:
    """How a frame is told from noise: ``sync`` (hexadecimal), header, payload, check.

    The header's field ``length`` counts the payload's bytes, at most ``payload_max``, and ``length_extra`` bytes
    more (where it counts the check or the whole frame too). The message's key is made of
    the header fields named in ``key`` (the first one highest), or, without any, is the first ``key_bits`` of the
    payload. The check covers everything from the ``sync`` or from the ``header`` on, and is stored in ``check_order``.
    """

    sync: str
    header: tuple[HeaderField, ...]
    byte_order: Literal["little", "big"]
    key: tuple[str, ...]
    key_bits: int
    payload_max: int
    check: str
    check_from: Literal["sync", "header"]
    check_order: Literal["little", "big"]
    length_extra: int = 0

    @property
    def header_size(self) -> int:
        """Bytes of the header fields."""
        return sum(field.bits for field in self.header) // 8


@dataclass(frozen=True)
class BinaryDialect:
    """A receiver's output format of the binary family."""

    name: str
    title: str
    family: Literal["binary"]
    doc: str
    framing: BinaryFraming
    letters: tuple[LetterSet, ...]
    messages: tuple[BinaryMessage, ...]

    def letter_set(self, name: str) -> LetterSet:
        """Return the named codes called ``name``; raises :class:`KeyError` when there are none."""
        return _letter_set(self.letters, name)

    def key_text(self, key: int) -> str:
        """A key as people write it: the header's bytes in hexadecimal, or a decimal number."""
        if not self.framing.key:
            return str(key)
        widths = [field.bits for name in self.framing.key for field in self.framing.header if field.name == name]
        return key.to_bytes(sum(widths) // 8, "big").hex(" ").upper()


AnyDialect = Dialect | BinaryDialect


def _letter_set(sets: tuple[LetterSet, ...], name: str) -> LetterSet:
    for letters in sets:
        if letters.name == name:
            return letters
    raise KeyError(name)
