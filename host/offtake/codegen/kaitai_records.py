"""Records, enumerations and flag sets of the spec as types of a Kaitai Struct description."""

from __future__ import annotations

import keyword
from collections.abc import Iterable, Sequence

from offtake.codegen.kaitai_yaml import Node, prose
from offtake.spec.model import WIRE_SIZES, Enumeration, Field, Part, Record, Scale

Item = dict[str, Node]

NUMBERS = {"u8": "u1", "u16": "u2", "u32": "u4", "i8": "s1", "i16": "s2", "i32": "s4"}


class Names:
    """Identifiers of one type: no two alike, also not in languages that write ``a_1`` and ``a1`` the same."""

    def __init__(self) -> None:
        self._taken: set[str] = set()

    def take(self, name: str) -> str:
        """``name``, or something like it where that is taken or a word of the language Python."""
        made, number = name, 1
        while keyword.iskeyword(made) or made.replace("_", "") in self._taken:
            number += 1
            made = f"{name}_{number}"
        self._taken.add(made.replace("_", ""))
        return made


def record_type(record: Record, *, growing: bool) -> Item:
    """The type of ``record``. With ``growing`` the fields appended later are read only where they are wholly there."""
    names = Names()
    own = {f.name: names.take(f.name) for f in record.fields}
    seq: list[Node] = []
    instances: Item = {}
    types: Item = {}
    for f in record.fields:
        name, items = own[f.name], field_items(f, own[f.name])
        condition: Item = {"if": f"_io.size >= {f.offset + (f.size or 0)}"} if growing and f.optional else {}
        derived = _derived(f)
        if derived is not None:
            value, suffix = derived
            stored = names.take(name + suffix)
            instances[name] = {"value": value.format(stored), **condition, **_about(f)}
            items = [{**_without_words(items[0]), "id": stored, "doc": f"As it lies, for `{name}`."}]
        if f.scale is not None and f.count is not None:
            types[f"{name}_element"] = _element_type(f, f.scale)
            items = [{**items[0], "type": f"{name}_element"}]
        seq += [{**item, **condition} for item in items]
    made: Item = {"doc": prose(record.doc), "seq": seq}
    if instances:
        made["instances"] = instances
    if types:
        made["types"] = types
    return made


def field_items(f: Field, name: str = "") -> list[Item]:
    """The entries of a sequence that read field ``f``, under ``name`` if given: one, or one for each part of a word."""
    if f.parts:
        return [part_item(part) for part in f.parts]
    item: Item = {"id": name or f.name}
    if f.flags:
        item["type"] = flags_type_name(f)
    elif f.is_number:
        item["type"] = NUMBERS[f.type]
    elif f.size is None:
        item["size-eos"] = True
    else:
        item["size"] = f.size
    if f.enum:
        item["enum"] = f.enum
    if f.type == "text":
        item["terminator"] = 0
    if f.count is not None:
        item |= {"repeat": "expr", "repeat-expr": f.count}
    return [item | _about(f)]


def part_item(part: Part) -> Item:
    """The entry that reads one part of a packed word."""
    return {"id": part.name, "type": f"b{part.bits}", "doc": prose(part.doc)}


def _derived(f: Field) -> tuple[str, str] | None:
    """Expression of the value that is worked out from what is stored ({}), and what the stored one's name ends in."""
    if f.type == "text":
        # Worked out only when asked for, so that broken text does not stop the reading of everything else.
        return '{}.to_s("UTF-8")', "_bytes"
    if f.scale is not None and f.count is None:
        return scaled(f.scale), "_raw"
    return None


def scaled(scale: Scale) -> str:
    """The value of the raw number {}. Only the last step rounds: raw times mantissa is exact in a double."""
    if scale.fraction_bits:
        return f"{{}} / {2**scale.fraction_bits}.0"
    if scale.exponent >= 0:
        return f"{{}} * {scale.mantissa * 10**scale.exponent}.0"
    times = f" * {scale.mantissa}.0" if scale.mantissa != 1 else ""
    return f"{{}}{times} / {10**-scale.exponent}.0"


def _element_type(f: Field, scale: Scale) -> Item:
    value: Item = {"value": scaled(scale).format("raw")} | _about(f)
    return {"seq": [{"id": "raw", "type": NUMBERS[f.type]}], "instances": {"value": value}}


def _about(f: Field) -> Item:
    """What people should know of a field; the unit also apart, for programs."""
    text = f.doc
    for which, bound in (("least", f.minimum), ("most", f.maximum)):
        if bound is not None:
            text += f" At {which} {f.scale.apply(bound) if f.scale else bound}."
    return {"doc": prose(f"{text} [{f.unit}]"), "-unit": f.unit} if f.unit else {"doc": prose(text)}


def _without_words(item: Item) -> Item:
    return {key: value for key, value in item.items() if key not in ("doc", "-unit")}


def flags_type_name(f: Field) -> str:
    """Name of the type that has a flag set's bits, as wide as field ``f``."""
    return f"{f.flags}_flags_{f.type}"


def enums_used(records: Sequence[Record], enums: dict[str, Enumeration]) -> Item:
    """The enumerations that the records' fields name."""
    names = {f.enum for record in records for f in record.fields if f.enum}
    return {enum.name: enumeration(enum) for enum in enums.values() if enum.name in names}


def enumeration(enum: Enumeration) -> Node:
    """An enumeration's names by value."""
    names = Names()
    return {
        choice.value: {"id": names.take(choice.name), "doc": prose(choice.doc)}
        for choice in sorted(enum.choices, key=lambda one: one.value)
    }


def flag_types(records: Sequence[Record], enums: dict[str, Enumeration]) -> Item:
    """A type for each flag set and width that the records' fields use."""
    fields = {flags_type_name(f): f for record in records for f in record.fields if f.flags}
    return {name: _flags_type(enums[f.flags], 8 * WIRE_SIZES[f.type]) for name, f in sorted(fields.items())}


def _flags_type(flag_set: Enumeration, bits: int) -> Item:
    names = Names()
    named = {choice.value: (names.take(choice.name), prose(choice.doc)) for choice in flag_set.choices}
    seq: list[Node] = []
    for bit in range(bits):
        name, doc = named.get(bit) or (names.take(f"bit_{bit}"), "No meaning yet.")
        seq.append({"id": name, "type": "b1", "doc": doc})
    return {"doc": prose(flag_set.doc), "seq": seq}


def by_code(records: Iterable[Record]) -> Node:
    """The messages' names by code."""
    return {
        record.code: {"id": record.name, "doc": prose(record.doc)}
        for record in sorted(records, key=lambda one: one.code)
    }
