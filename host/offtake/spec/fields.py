"""Reads one field of a record, and one record, out of its TOML table."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

from offtake.errors import SpecError
from offtake.spec.model import VARIABLE_TYPES, WIRE_SIZES, Enumeration, Field, Part, Record, Scale
from offtake.spec.names import check_member, check_name, check_unit, read_doc
from offtake.spec.table import Table

_SIZE_MAX = 511
_COUNT_MAX = 32
_FRACTION_BITS_MAX = 31
_MANTISSA_MAX = 65_535
_EXPONENT_MAX = 9
_HEADER_KEYS = "name, type, size, const, min, max, unit, enum, flags, parts, doc"
_MESSAGE_KEYS = "name, type, size, count, min, max, unit, scale, fraction_bits, enum, flags, doc"
_SCALE_WORDS = f"1 to {_MANTISSA_MAX} times a power of ten from 1e-{_EXPONENT_MAX} to 1e{_EXPONENT_MAX}"


@dataclass(frozen=True)
class Rules:
    """What the fields of one kind of record may have.

    ``sensed`` fields, those of messages, may be scaled and arrays, and have no constants and parts; the others the
    other way round. ``limit`` is the most bytes that the fields of fixed size may take together.
    """

    enums: dict[str, Enumeration]
    limit: int
    sensed: bool


def read_record(table: Table, name: str, code: int, doc: str, rules: Rules, key: str = "fields") -> Record:
    """The record whose fields stand in the list ``key`` of ``table``. SpecError for the first mistake."""
    fields: list[Field] = []
    seen: set[str] = set()
    offset = 0
    where = table.where if table.has(key) else ""
    entries = table.tables(key)
    for index, entry in enumerate(entries):
        field = _field(entry, offset, index == len(entries) - 1, rules)
        for value_name in [part.name for part in field.parts] or [field.name]:
            if value_name in seen:
                raise SpecError(
                    f"two fields named {value_name!r} overlap", where=entry.where, expected="a name of its own"
                )
            seen.add(value_name)
        fields.append(field)
        offset += field.size or 0
    if offset > rules.limit:
        raise SpecError(f"{offset} bytes are too many", where=where, expected=f"at most {rules.limit} bytes")
    return Record(name, code, doc, tuple(fields))


def _field(table: Table, offset: int, last: bool, rules: Rules) -> Field:
    name = table.text("name")
    check_member(name, table.at("name"))
    kind = table.word("type", (*WIRE_SIZES, *VARIABLE_TYPES))
    doc = read_doc(table)
    unit = table.text("unit", "")
    check_unit(unit, table.at("unit"))
    if table.text("offset", ""):
        raise SpecError("offsets follow from the order of fields", where=table.at("offset"), expected="no offset key")
    _refuse_other_keys(table, rules)
    size = _size(table, kind, last)
    count = _count(table, kind)
    field = Field(name, kind, offset, size if count is None else count * WIRE_SIZES[kind], doc, unit, count=count)
    enum = _choices(table, "enum", field, rules)
    flags = _choices(table, "flags", field, rules)
    if enum and flags:
        raise SpecError("both enum and flags", where=table.at("flags"), expected="one of the two")
    field = replace(field, enum=enum, flags=flags, scale=_scale(table, field, bool(enum or flags)))
    field = replace(field, parts=_parts(table, field), const=_const(table, field))
    field = replace(field, minimum=_bound(table, "min", field), maximum=_bound(table, "max", field))
    if field.is_number and field.bounds[0] > field.bounds[1]:
        raise SpecError("min is above max", where=table.at("max"), expected="min <= max")
    table.end(_MESSAGE_KEYS if rules.sensed else _HEADER_KEYS)
    return field


def _refuse_other_keys(table: Table, rules: Rules) -> None:
    for key in ("const", "parts") if rules.sensed else ("count", "scale", "fraction_bits"):
        if table.has(key):
            here, there = ("messages", "headers") if rules.sensed else ("headers and packets", "messages")
            raise SpecError(f"{key} does not go with {here}", where=table.at(key), expected=f"{key} in {there} only")


def _size(table: Table, kind: str, last: bool) -> int | None:
    if kind in WIRE_SIZES:
        if table.has("size"):
            raise SpecError(f"size does not go with {kind}", where=table.at("size"), expected="bytes or text, or count")
        return WIRE_SIZES[kind]
    where = table.at("size")
    size = table.optional_integer("size")
    if size is None and not last:
        raise SpecError("a field without size must stand last", where=table.where, expected="size, or the last place")
    if size is not None and not 1 <= size <= _SIZE_MAX:
        raise SpecError(f"size {size} is out of range", where=where, expected=f"1 to {_SIZE_MAX}")
    return size


def _count(table: Table, kind: str) -> int | None:
    if not table.has("count"):
        return None
    if kind not in WIRE_SIZES:
        raise SpecError(f"count does not go with {kind}", where=table.at("count"), expected="a number type, or size")
    return table.integer("count", 2, _COUNT_MAX)


def _choices(table: Table, key: str, field: Field, rules: Rules) -> str:
    if not table.has(key):
        return ""
    where, name = table.at(key), table.text(key)
    is_flags, kind = key == "flags", "flag set" if key == "flags" else "enum"
    if name not in rules.enums or rules.enums[name].is_flags != is_flags:
        known = ", ".join(sorted(known for known, value in rules.enums.items() if value.is_flags == is_flags))
        raise SpecError(f"no {kind} {name!r}", where=where, expected=known or f"a {kind} in this file")
    if not field.is_number or field.count is not None:
        what = "an array" if field.is_number else field.type
        raise SpecError(f"{key} does not go with {what}", where=where, expected="a number type without count")
    if field.type[0] == "i":
        raise SpecError(f"{key} does not go with {field.type}", where=where, expected="u8, u16 or u32")
    values = [1 << choice.value if is_flags else choice.value for choice in rules.enums[name].choices]
    if max(values) > field.bounds[1]:
        raise SpecError(f"{kind} {name!r} does not fit {field.type}", where=where, expected="a wider type")
    return name


def _scale(table: Table, field: Field, has_choices: bool) -> Scale | None:
    keys = [key for key in ("scale", "fraction_bits") if table.has(key)]
    if not keys:
        return None
    where = table.at(keys[-1])
    if len(keys) == 2:
        raise SpecError("both scale and fraction_bits", where=where, expected="one of the two")
    if not field.is_number or has_choices:
        what = "enum and flags" if has_choices else field.type
        raise SpecError(f"{keys[0]} does not go with {what}", where=where, expected="a number type alone")
    if keys == ["fraction_bits"]:
        return Scale(1, 0, table.integer("fraction_bits", 1, _FRACTION_BITS_MAX))
    number = table.number("scale")
    scale = None if number is None else decimal_scale(number)
    if scale is None:
        raise SpecError(f"{number} is no scale", where=where, expected=_SCALE_WORDS)
    return scale


def decimal_scale(number: Decimal) -> Scale | None:
    """``number`` as a :class:`Scale` with its shortest mantissa, or None where it is none."""
    if not number.is_finite() or number <= 0:
        return None
    exponent = number.as_tuple().exponent
    mantissa = int("".join(map(str, number.as_tuple().digits)))
    if not isinstance(exponent, int):
        return None
    while mantissa % 10 == 0:
        mantissa, exponent = mantissa // 10, exponent + 1
    while exponent > _EXPONENT_MAX and mantissa <= _MANTISSA_MAX:
        mantissa, exponent = mantissa * 10, exponent - 1
    return Scale(mantissa, exponent) if mantissa <= _MANTISSA_MAX and abs(exponent) <= _EXPONENT_MAX else None


def _bound(table: Table, key: str, field: Field) -> int | None:
    """A bound of the raw number, out of one in the field's unit."""
    if not table.has(key):
        return None
    where = table.at(key)
    if not field.is_number or field.parts or field.const is not None:
        what = "parts" if field.parts else "const" if field.const is not None else field.type
        raise SpecError(f"{key} does not go with {what}", where=where, expected="a number type")
    if field.enum or field.flags:
        raise SpecError(f"{key} does not go with enum and flags", where=where, expected="the choices alone")
    if field.scale is None:
        bound = table.optional_integer(key)
    else:
        number = table.number(key)
        raw = Fraction(number or 0) / field.scale.exact(1)
        if raw.denominator != 1:
            raise SpecError(f"{number} is not a whole raw number", where=where, expected=_steps(field.scale))
        bound = raw.numerator
    low, high = replace(field, minimum=None, maximum=None).bounds
    if bound is not None and not low <= bound <= high:
        what = f"{bound}" if field.scale is None else f"raw {bound}"
        raise SpecError(f"{what} does not fit {field.type}", where=where, expected=f"{low} to {high}")
    return bound


def _steps(scale: Scale) -> str:
    if scale.fraction_bits:
        return f"a multiple of 2^-{scale.fraction_bits}"
    return f"a multiple of {Decimal(scale.mantissa).scaleb(scale.exponent):f}"


def _const(table: Table, field: Field) -> int | bytes | None:
    where = table.at("const")
    value = table.any_of("const")
    if value is None:
        return None
    if field.is_number and isinstance(value, int) and not isinstance(value, bool):
        low, high = field.bounds
        if not low <= value <= high:
            raise SpecError(f"{value} does not fit {field.type}", where=where, expected=f"{low} to {high}")
        return value
    if field.type == "bytes" and isinstance(value, str) and re.fullmatch(r"([0-9a-f]{2})+", value):
        if field.size != len(value) // 2:
            raise SpecError(f"const has {len(value) // 2} bytes", where=where, expected=f"{field.size} bytes")
        return bytes.fromhex(value)
    raise SpecError(
        f"const {value!r} does not go with {field.type}", where=where, expected="a number, or hex digits for bytes"
    )


def _parts(table: Table, field: Field) -> tuple[Part, ...]:
    parts: list[Part] = []
    shift = 0
    where = table.at("parts")
    for entry in table.tables("parts", []):
        name, bits, doc = entry.text("name"), entry.integer("bits", 1, 31), read_doc(entry)
        check_name(name, entry.at("name"))
        entry.end("name, bits, doc")
        parts.append(Part(name, bits, shift, doc))
        shift += bits
    if parts and (not field.is_number or shift != 8 * (field.size or 0)):
        bits = 8 * (field.size or 0)
        raise SpecError(f"parts overlap or leave bits: {shift} bits", where=where, expected=f"{bits} bits of a number")
    return tuple(parts)
