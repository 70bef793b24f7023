"""The content of ``published.lock`` as text, and back: TOML with one field or choice a line."""

from __future__ import annotations

import json
from decimal import Decimal

from offtake.errors import SpecError
from offtake.spec.fields import decimal_scale
from offtake.spec.lock_model import Lock, LockedChoice, LockedEnum, LockedField, LockedRecord, Release
from offtake.spec.model import ROLES, VARIABLE_TYPES, WIRE_SIZES, Field, Part, Scale
from offtake.spec.table import Table

_LARGE = 2**32
_HEX = "hex digits"


def render_content(lock: Lock) -> str:
    """The file's text after its check."""
    releases = [f'number = {one.number}, layout = "{one.layout_hash:08x}"' for one in lock.releases]
    out = _list("releases", releases)
    out += ["", "[block]", f"version = {lock.block_version}", *_fields("header", lock.block_header)]
    out += ["", "[journal_header]", *_fields("fields", lock.journal_header)]
    for group, key, records in (("messages", "code", lock.messages), ("packets", "kind", lock.packets)):
        for record in records.values():
            out += ["", f"[{group}.{record.name}]", f"{key} = {record.code}", f"since = {record.since}"]
            out += [f'role = "{record.role}"'] if record.role else []
            out += _fields("fields", record)
    for is_flags, group, key in ((False, "enums", "value"), (True, "flag_sets", "bit")):
        for enum in (one for one in lock.enums.values() if one.is_flags == is_flags):
            out += ["", f"[{group}.{enum.name}]", f"since = {enum.since}"]
            items = [f'name = "{one.name}", {key} = {one.value}, since = {one.since}' for one in enum.choices]
            out += _list("choices", items)
    return "\n".join([*out, ""])


def _list(key: str, items: list[str]) -> list[str]:
    return [f"{key} = []"] if not items else [f"{key} = [", *(f"    {{ {item} }}," for item in items), "]"]


def _fields(key: str, record: LockedRecord) -> list[str]:
    return _list(key, [f"{field_text(one.field)}, since = {one.since}" for one in record.fields])


def field_text(field: Field) -> str:
    """A field as it stands in the file, but for its release."""
    facts = [f'name = "{field.name}"', f'type = "{field.type}"']
    if not field.is_number and field.size is not None:
        facts.append(f"size = {field.size}")
    if field.count is not None:
        facts.append(f"count = {field.count}")
    if field.unit:
        facts.append(f"unit = {json.dumps(field.unit, ensure_ascii=False)}")
    if field.scale:
        facts.append(_scale(field.scale))
    facts += [f'{key} = "{name}"' for key, name in (("enum", field.enum), ("flags", field.flags)) if name]
    facts += [f"{key} = {n}" for key, n in (("raw_min", field.minimum), ("raw_max", field.maximum)) if n is not None]
    if field.const is not None:
        facts.append(f'const = "{field.const.hex()}"' if isinstance(field.const, bytes) else f"const = {field.const}")
    if field.parts:
        parts = ", ".join(f'{{ name = "{part.name}", bits = {part.bits} }}' for part in field.parts)
        facts.append(f"parts = [{parts}]")
    return ", ".join(facts)


def _scale(scale: Scale) -> str:
    if scale.fraction_bits:
        return f"fraction_bits = {scale.fraction_bits}"
    return f"scale = {Decimal(scale.mantissa).scaleb(scale.exponent):f}"


def parse_content(file: Table) -> Lock:
    """What the file's table says. SpecError where it is none that :func:`render_content` writes."""
    file.text("check")
    releases = []
    for table in file.tables("releases"):
        number, layout = table.integer("number", 1, _LARGE), table.text("layout")
        table.end()
        releases.append(Release(number, _hash(layout, table.where)))
    if [one.number for one in releases] != list(range(1, len(releases) + 1)) or not releases:
        raise SpecError("releases out of order", where=file.at("releases"), expected="1, 2, 3 and so on")
    last = len(releases)
    block = file.table("block")
    block_version, block_header = block.integer("version", 1, 127), _parse_fields(block, "header", last)
    block.end()
    header = file.table("journal_header")
    lock = Lock(
        releases=tuple(releases),
        block_version=block_version,
        block_header=LockedRecord("block_header", 0, 1, block_header),
        journal_header=LockedRecord("journal_header", 0, 1, _parse_fields(header, "fields", last)),
        messages=_parse_records(file.table("messages"), "code", last),
        packets=_parse_records(file.table("packets", {}), "kind", last),
        enums={
            **_parse_enums(file.table("enums", {}), "value", last),
            **_parse_enums(file.table("flag_sets", {}), "bit", last),
        },
    )
    header.end()
    file.end()
    return lock


def _hash(layout: str, where: str) -> int:
    try:
        return int(layout, 16)
    except ValueError as error:
        raise SpecError(f"{layout!r} is no layout", where=where, expected=_HEX) from error


def _parse_records(group: Table, key: str, last: int) -> dict[str, LockedRecord]:
    records = {}
    for name, table in group.named_tables():
        code, since = table.integer(key, 1, 255), table.integer("since", 1, last)
        role = table.word("role", ROLES) if table.has("role") else ""
        records[name] = LockedRecord(name, code, since, _parse_fields(table, "fields", last), role)
        table.end()
    return records


def _parse_enums(group: Table, key: str, last: int) -> dict[str, LockedEnum]:
    enums = {}
    for name, table in group.named_tables():
        since = table.integer("since", 1, last)
        choices = []
        for entry in table.tables("choices"):
            choice = LockedChoice(entry.text("name"), entry.integer(key, 0, 255), entry.integer("since", 1, last))
            entry.end()
            choices.append(choice)
        table.end()
        enums[name] = LockedEnum(name, key == "bit", since, tuple(choices))
    return enums


def _parse_fields(table: Table, key: str, last: int) -> tuple[LockedField, ...]:
    fields = []
    offset = 0
    for entry in table.tables(key):
        field = _parse_field(entry, offset)
        fields.append(LockedField(field, entry.integer("since", 1, last)))
        entry.end()
        offset += field.size or 0
    return tuple(fields)


def _parse_field(table: Table, offset: int) -> Field:
    name, kind = table.text("name"), table.word("type", (*WIRE_SIZES, *VARIABLE_TYPES))
    count = table.optional_integer("count")
    size = WIRE_SIZES[kind] * (count or 1) if kind in WIRE_SIZES else table.optional_integer("size")
    number = table.number("scale", None)
    bits = table.optional_integer("fraction_bits")
    const = _parse_const(table)
    parts: list[Part] = []
    for entry in table.tables("parts", []):
        shift = sum(part.bits for part in parts)
        parts.append(Part(entry.text("name"), entry.integer("bits", 1, 31), shift, ""))
    return Field(
        name=name,
        type=kind,
        offset=offset,
        size=size,
        doc="",
        unit=table.text("unit", ""),
        enum=table.text("enum", ""),
        flags=table.text("flags", ""),
        const=const,
        minimum=table.optional_integer("raw_min"),
        maximum=table.optional_integer("raw_max"),
        parts=tuple(parts),
        scale=Scale(1, 0, bits) if bits else decimal_scale(number) if number is not None else None,
        count=count,
    )


def _parse_const(table: Table) -> int | bytes | None:
    where, value = table.at("const"), table.any_of("const")
    try:
        return bytes.fromhex(value) if isinstance(value, str) else None if value is None else int(value)
    except (TypeError, ValueError) as error:
        raise SpecError(f"{value!r} is no constant", where=where, expected=f"a number, or {_HEX}") from error
