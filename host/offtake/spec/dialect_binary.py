"""Strict loader of binary dialects; see :mod:`offtake.spec.dialect`, which reads the file and calls it."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any, cast

from offtake.dialects.checks import CHECKS
from offtake.dialects.tables import (
    BINARY_KINDS,
    BinaryDialect,
    BinaryField,
    BinaryFraming,
    BinaryKind,
    BinaryMessage,
    Encoding,
    HeaderField,
    LetterSet,
)
from offtake.spec.dialect_table import DialectTable
from offtake.spec.dialect_units import UNIT_ENDINGS

_TYPE = re.compile(r"([uis])([1-9][0-9]?)")
_ENCODINGS: dict[str, Encoding] = {"u": "unsigned", "i": "signed", "s": "sign_magnitude"}
_SYNC = re.compile(r"[0-9A-F]{2}(?: [0-9A-F]{2}){0,3}")
# Bounded, so that neither a value nor its scale can become a number that nothing holds.
_SCALE = re.compile(r"[0-9]{1,18}(?:\.[0-9]{1,18})?(?:e-[0-9]{1,2})?")
_CODE = re.compile(r"0|[1-9][0-9]{0,18}")
_PAYLOAD_MAX = 65_535
_BITS_MAX = 8 * _PAYLOAD_MAX
_NUMBER_KEYS = ("type", "part", "scale", "unit", "min", "max", "absent", "fine_at", "fine_ratio")
_KIND_KEYS: dict[str, tuple[str, ...]] = {
    "number": _NUMBER_KEYS,
    "code": ("type", "part", "codes", "absent"),
    "flag": ("type", "part"),
    "mask": ("type",),
    "text": ("size",),
    "date": ("time_at", "fraction_at"),
    "time_of_day": ("fraction_at", "unit"),
    "groups": ("size", "size_bits", "count", "fields"),
}
_COMMON_KEYS = ("name", "kind", "doc", "at", "bit", "when")


def parse_binary(root: DialectTable, head: DialectTable) -> BinaryDialect:
    """Return the binary dialect in ``root``, whose table ``dialect`` is ``head``; SpecError where it is wrong."""
    framing = _read_framing(root.table("framing"))
    codes = tuple(_read_codes(name, table) for name, table in root.tables("codes")) if root.has("codes") else ()
    reader = _Reader(framing, {one.name: one for one in codes})
    messages = tuple(reader.message(name, table) for name, table in root.tables("messages"))
    if not messages:
        raise root.error("messages", "no message", "at least one")
    dialect = BinaryDialect(
        name=head.identifier("name"),
        title=head.text("title"),
        family="binary",
        doc=head.text("doc"),
        framing=framing,
        letters=codes,
        messages=messages,
    )
    taken: dict[int, str] = {}
    for message in messages:
        for key in message.keys:
            if key in taken:
                where = f"messages.{message.name}.{'keys' if framing.key_bits else 'key'}"
                what = f"{dialect.key_text(key)} is the key of {taken[key]!r} too"
                raise root.error(where, what, "a key of its own for each message")
            taken[key] = message.name
    head.done()
    root.done()
    return dialect


def _read_framing(table: DialectTable) -> BinaryFraming:
    sync = table.text("sync")
    if not _SYNC.fullmatch(sync):
        raise table.error("sync", f"{sync!r} does not fit", "1 to 4 bytes as pairs of hexadecimal digits, spaced")
    order = table.one_of("byte_order", ("little", "big"))
    header = tuple(_read_header_field(part, order) for part in table.list_of_tables("header"))
    names = [field.name for field in header]
    if len(set(names)) != len(names) or "length" not in names:
        raise table.error("header", f"fields {', '.join(names)}", "different names, one of them `length`")
    if sum(field.bits for field in header) % 8:
        raise table.error("header", "it does not end with a whole byte", "bits that make whole bytes")
    key_fields, key_bits = _read_key(table, {field.name: field.bits for field in header})
    check = table.one_of("check", tuple(CHECKS))
    extras = {"payload": 0, "payload_and_check": CHECKS[check].size}
    extras["frame"] = len(sync.split()) + sum(field.bits for field in header) // 8 + CHECKS[check].size
    counts = table.one_of("length_counts", tuple(extras)) if table.has("length_counts") else "payload"
    framing = BinaryFraming(
        sync=sync.replace(" ", ""),
        header=header,
        byte_order=cast(Any, order),
        key=key_fields,
        key_bits=key_bits,
        payload_max=table.integer("payload_max", 1, _PAYLOAD_MAX),
        check=check,
        check_from=cast(Any, table.one_of("check_from", ("sync", "header"))),
        check_order=cast(Any, table.one_of("check_order", ("little", "big"))),
        length_extra=extras[counts],
    )
    table.done()
    return framing


def _read_header_field(part: DialectTable, order: str) -> HeaderField:
    bits = part.integer("bits", 1, 32)
    if order == "little" and bits % 8:
        raise part.error("bits", f"{bits} bits are no whole bytes", "8, 16, 24 or 32 in a little-endian dialect")
    must_be = part.integer("must_be", 0, 2**bits - 1) if part.has("must_be") else None
    field = HeaderField(part.identifier("name"), bits, must_be)
    part.done()
    return field


def _read_key(table: DialectTable, widths: dict[str, int]) -> tuple[tuple[str, ...], int]:
    if table.has("key_bits"):
        return (), table.integer("key_bits", 1, 32)
    key = tuple(table.texts("key"))
    for name in key:
        if name not in widths or name == "length":
            expected = ", ".join(one for one in widths if one != "length")
            raise table.error("key", f"{name!r} is no such header field", f"some of {expected}")
    if len(set(key)) != len(key) or sum(bits for name, bits in widths.items() if name in key) % 8:
        raise table.error("key", f"{', '.join(key)} does not fit", "different fields that make whole bytes together")
    return key, 0


def _read_codes(name: str, table: DialectTable) -> LetterSet:
    table.check_name(name)
    values = table.table("values")
    pairs = tuple((code, values.word(code)) for code in values.names())
    values.done()
    for code, _ in pairs:
        if not _CODE.fullmatch(code):
            raise table.error(f"values.{code}", f"{code!r} is no code", "a whole number")
    if not pairs or len({meaning for _, meaning in pairs}) != len(pairs):
        raise table.error("values", "no code, or two codes have the same name", "a name of its own for each code")
    letters = LetterSet(name, table.text("doc"), pairs, table.word("other") if table.has("other") else None)
    table.done()
    return letters


class _Reader:
    """Reads messages; it knows the framing and the named codes."""

    def __init__(self, framing: BinaryFraming, codes: dict[str, LetterSet]) -> None:
        self._framing = framing
        self._codes = codes
        self._little = framing.byte_order == "little"

    def message(self, name: str, table: DialectTable) -> BinaryMessage:
        table.check_name(name)
        fields = self._fields(table, inside_group=False)
        ends = [field.end_bit for field in fields]
        message = BinaryMessage(
            name=name,
            doc=table.text("doc"),
            keys=self._keys(table),
            payload_min=(max(ends) + 7) // 8,
            fields=fields,
        )
        if message.payload_min > self._framing.payload_max:
            raise table.error("fields", f"{message.payload_min} bytes", f"at most {self._framing.payload_max}")
        table.done()
        return message

    def _keys(self, table: DialectTable) -> tuple[int, ...]:
        if self._framing.key_bits:
            return tuple(table.integers("keys", 0, 2**self._framing.key_bits - 1))
        size = sum(field.bits for field in self._framing.header if field.name in self._framing.key) // 8
        text = table.text("key")
        if not re.fullmatch(r"[0-9A-F]{2}(?: [0-9A-F]{2})*", text) or len(text.split()) != size:
            raise table.error("key", f"{text!r} does not fit", f"{size} bytes as pairs of hexadecimal digits, spaced")
        return (int(text.replace(" ", ""), 16),)

    def _fields(self, table: DialectTable, *, inside_group: bool) -> tuple[BinaryField, ...]:
        fields: list[BinaryField] = []
        after = 0
        for part in table.list_of_tables("fields"):
            field = self._field(part, after, fields, inside_group)
            if field.name in [one.name for one in fields]:
                raise part.error("name", f"{field.name!r} is taken", "a name of its own for each field")
            if fields and fields[-1].kind == "groups":
                raise part.error("name", f"{field.name!r} follows groups", "groups last")
            fields.append(field)
            after = field.bit + field.bits
        if not fields:
            raise table.error("fields", "no field", "at least one")
        return tuple(fields)

    def _field(
        self, part: DialectTable, after: int, before: list[BinaryField], inside_group: bool
    ) -> BinaryField:
        name = part.identifier("name")
        kind = part.one_of("kind", BINARY_KINDS) if part.has("kind") else "number"
        if kind == "groups" and inside_group:
            raise part.error("kind", "groups inside groups", "a plain kind")
        if kind in ("date", "time_of_day", "text") and not self._little:
            raise part.error("kind", f"{kind!r} needs whole bytes", "a little-endian dialect")
        for key in part.names():
            if key not in (*_COMMON_KEYS, *_KIND_KEYS[kind]):
                expected = ", ".join((*_COMMON_KEYS, *_KIND_KEYS[kind]))
                raise part.error(key, f"unknown key for kind {kind!r}", f"one of {expected}")
        bits, encoding = self._size(part, kind)
        part_low, part_bits = self._part(part, bits)
        unit = self._unit(part, name, kind)
        up, down = self._scale(part)
        minimum, maximum = part.range()
        inner = self._fields(part, inside_group=True) if kind == "groups" else ()
        if inner and max(field.end_bit for field in inner) > bits:
            raise part.error("size", "the fields reach beyond the group", "a larger size")
        field = BinaryField(
            name=name,
            kind=cast(BinaryKind, kind),
            doc=part.text("doc"),
            bit=self._bit(part, after),
            bits=bits,
            encoding=encoding,
            part_low=part_low,
            part_bits=part_bits,
            unit=unit,
            scale_up=up,
            scale_down=down,
            fine_bit=self._byte_of(part, "fine_at"),
            fine_ratio=part.integer("fine_ratio", 1, 10_000) if part.has("fine_at") else 1,
            minimum=minimum,
            maximum=maximum,
            absent=tuple(part.integers("absent", -(2**63), 2**64 - 1)) if part.has("absent") else (),
            when=self._flag_before(part, before) if part.has("when") else "",
            letters=part.one_of("codes", tuple(self._codes)) if kind == "code" else "",
            fraction_bit=self._byte_of(part, "fraction_at"),
            time_bit=self._byte_of(part, "time_at"),
            count_field=self._count_before(part, before) if part.has("count") else "",
            fields=inner,
        )
        part.done()
        return field

    def _size(self, part: DialectTable, kind: str) -> tuple[int, Encoding]:
        if kind == "date":
            return 32, "unsigned"
        if kind == "time_of_day":
            return 24, "unsigned"
        if kind in ("text", "groups"):
            if part.has("size_bits") and not self._little:
                return part.integer("size_bits", 1, _BITS_MAX), "unsigned"
            return 8 * part.integer("size", 1, _PAYLOAD_MAX), "unsigned"
        text = part.text("type")
        match = _TYPE.fullmatch(text)
        bits = int(match[2]) if match else 0
        if match is None or bits > 64 or (self._little and bits not in (8, 16, 24, 32, 64)):
            sizes = "8, 16, 24, 32 or 64" if self._little else "1 to 64"
            raise part.error("type", f"{text!r} is unknown", f"u, i or s (sign and magnitude) and {sizes} bits")
        if kind in ("code", "flag", "mask") and match[1] != "u":
            raise part.error("type", f"{text!r} for kind {kind!r}", "an unsigned type")
        if match[1] != "u" and bits == 1:
            raise part.error("type", f"{text!r} has no room for a sign", "2 bits or more")
        return bits, _ENCODINGS[match[1]]

    @staticmethod
    def _part(part: DialectTable, bits: int) -> tuple[int, int]:
        if not part.has("part"):
            return 0, 0
        low, count = part.pair("part", 0, 63)
        if count < 1 or low + count > bits:
            raise part.error("part", f"bits {low} to {low + count - 1}", f"bits within 0 to {bits - 1}")
        return low, count

    @staticmethod
    def _unit(part: DialectTable, name: str, kind: str) -> str:
        unit = part.one_of("unit", tuple(UNIT_ENDINGS)) if part.has("unit") else ""
        if kind == "time_of_day":
            unit = "us"
        if unit and not name.endswith(UNIT_ENDINGS[unit]):
            raise part.error("name", f"{name!r} hides its unit", f"a name ending in {UNIT_ENDINGS[unit]!r}")
        return unit

    @staticmethod
    def _scale(part: DialectTable) -> tuple[int, int]:
        if not part.has("scale"):
            return 1, 1
        text = part.text("scale")
        if not _SCALE.fullmatch(text) or not Fraction(text):
            raise part.error("scale", f"{text!r} does not fit", 'a positive decimal in quotes, such as "1e-7"')
        scale = Fraction(text)
        return scale.numerator, scale.denominator

    def _bit(self, part: DialectTable, after: int) -> int:
        if self._little:
            return 8 * part.integer("at", 0, _PAYLOAD_MAX)
        return part.integer("bit", 0, _BITS_MAX) if part.has("bit") else after

    @staticmethod
    def _byte_of(part: DialectTable, key: str) -> int:
        return 8 * part.integer(key, 0, _PAYLOAD_MAX) if part.has(key) else -1

    @staticmethod
    def _flag_before(part: DialectTable, before: list[BinaryField]) -> str:
        return part.one_of("when", tuple(field.name for field in before if field.kind == "flag"))

    @staticmethod
    def _count_before(part: DialectTable, before: list[BinaryField]) -> str:
        whole = [field.name for field in before if field.kind == "number" and field.is_whole]
        return part.one_of("count", tuple(whole))
