"""Render shared_spec as Python: constants, enumerations, records with construct and NumPy descriptions."""

from __future__ import annotations

import json

from offtake.spec.model import Enumeration, Field, Record, Spec

_CONSTRUCTS = {
    "u8": "construct.Int8ul",
    "u16": "construct.Int16ul",
    "u32": "construct.Int32ul",
    "i8": "construct.Int8sl",
    "i16": "construct.Int16sl",
    "i32": "construct.Int32sl",
}


def render(spec: Spec, banner: str) -> str:
    """Text of ``offtake/generated/records.py``; the same spec gives the same text. ``banner`` becomes comments."""
    out = [f"# {line}".rstrip() for line in banner.splitlines()]
    out += [
        "# ruff: noqa: E501",
        '"""Constants, enumerations and records of shared_spec."""',
        "",
        "from __future__ import annotations",
        "",
        "import builtins",
        "from dataclasses import dataclass",
        "from enum import IntEnum, IntFlag",
        "",
        "import construct  # type: ignore[import-untyped]",
        "import numpy as np",
        "",
        "from offtake.records import FieldInfo, Record",
        "",
        *_constants(spec),
    ]
    for enum in spec.enums.values():
        out += ["", "", *_enumeration(enum)]
    out += ["", "", "class _Record(Record):", "    __slots__ = ()", "    STATUS = Status"]
    named = [(_camel(record.name), record) for record in (spec.block.header, spec.journal_header, *spec.messages)]
    named += [(_camel(record.name) + "Packet", record) for record in spec.link.packets]
    for class_name, record in named:
        out += ["", "", *_record(class_name, record)]
    out += ["", "", *_registries(spec)]
    return "\n".join([*out, ""])


def class_of(enum_name: str) -> str:
    """Name of the Python class of an enumeration."""
    return "Status" if enum_name == "errors" else _camel(enum_name)


def _camel(name: str) -> str:
    return "".join(part.capitalize() for part in name.split("_"))


def _text(value: str) -> str:
    """A string literal with double quotes, whatever the words hold."""
    return json.dumps(value, ensure_ascii=False)


def _doc(value: str) -> str:
    words = value.replace("\\", "\\\\").replace('"', '\\"')
    return f'"""{words}"""'


def _constants(spec: Spec) -> list[str]:
    block, frame, link = spec.block, spec.frame, spec.link
    magic = next(f.const for f in block.header.fields if isinstance(f.const, int))
    numbers = {
        "SPEC_HASH": f"0x{spec.layout_hash:08X}",
        "BLOCK_SIZE": block.size,
        "BLOCK_VERSION": block.version,
        "BLOCK_MAGIC": f"0x{magic:02X}",
        "BLOCK_HEADER_SIZE": block.header.fixed_size,
        "BLOCK_CHECK_SIZE": block.size - block.space - block.header.fixed_size,
        "BLOCK_SPACE": block.space,
        "FRAME_HEAD_SIZE": frame.head_size,
        "FRAME_CHECK_SIZE": frame.check_size,
        "FRAME_TICK_SIZE_MAX": frame.tick_size_max,
        "FRAME_LENGTH_BITS": frame.length_bits,
        "FRAME_CODE_BITS": frame.code_bits,
        "LINK_VERSION": link.version,
        "LINK_BAUD_FASTEST": link.baud_fastest,
        "LINK_GREET_WAIT_MS": link.greet_wait_ms,
        "LINK_BAUD_TRIAL_MS": link.baud_trial_ms,
        "LINK_CHUNK_BYTES_MAX": link.chunk_bytes_max,
    }
    out = [f"{name} = {value}" for name, value in numbers.items()]
    for f in spec.journal_header.fields:
        if f.const is not None:
            literal = f"bytes.fromhex({_text(f.const.hex())})" if isinstance(f.const, bytes) else str(f.const)
            out.append(f"JOURNAL_{f.name.upper()} = {literal}")
    return out


def _enumeration(enum: Enumeration) -> list[str]:
    out = [f"class {class_of(enum.name)}({'IntFlag' if enum.is_flags else 'IntEnum'}):", f"    {_doc(enum.doc)}", ""]
    for choice in enum.choices:
        value = f"1 << {choice.value}" if enum.is_flags else str(choice.value)
        out += [f"    {choice.name.upper()} = {value}", f"    {_doc(choice.doc)}"]
    return out


def _record(class_name: str, record: Record) -> list[str]:
    out = ["@dataclass(frozen=True, slots=True)", f"class {class_name}(_Record):", f"    {_doc(record.doc)}", ""]
    shadowed = any(f.name == "bytes" for f in record.fields)
    infos: list[str] = []
    for f in record.fields:
        for name, type_name, doc, info in _members(f, shadowed):
            out += [f"    {name}: {type_name}", f"    {_doc(doc)}"]
            infos.append(info)
    if infos:
        out.append("")
    # Class attributes without annotation are no dataclass fields.
    out += [
        f"    NAME = {_text(record.name)}",
        f"    CODE = {record.code}",
        f"    FIXED_SIZE = {record.fixed_size}",
        f"    HAS_TAIL = {record.tail is not None}",
        *_tuple("FIELDS", infos, "(", ")"),
        *_tuple("LAYOUT", [f"{_text(f.name)} / {_construct(f)}" for f in record.fields], "construct.Struct(", ")"),
        *_tuple("DTYPE", [_column(f) for f in record.fields if f.size is not None], "np.dtype([", "])"),
    ]
    return out


def _tuple(name: str, items: list[str], begin: str, end: str) -> list[str]:
    if not items:
        return [f"    {name} = {begin}{end}"]
    return [f"    {name} = {begin}", *(f"        {item}," for item in items), f"    {end}"]


def _members(f: Field, shadowed: bool) -> list[tuple[str, str, str, str]]:
    """(name, type, words, FieldInfo) of each value that a field gives; a constant gives none."""
    if f.const is not None:
        return []
    if f.parts:
        return [
            (part.name, "int", part.doc, _info(part.name, f.type, f.size, (0, 2**part.bits - 1), "", f.name))
            for part in f.parts
        ]
    doc = f"{f.doc} [{f.unit}]" if f.unit else f.doc
    if f.is_number:
        choices = class_of(f.enum or f.flags) if f.enum or f.flags else ""
        return [(f.name, choices or "int", doc, _info(f.name, f.type, f.size, f.bounds, choices, ""))]
    bytes_type = "builtins.bytes" if shadowed else "bytes"
    return [(f.name, "str" if f.type == "text" else bytes_type, doc, _info(f.name, f.type, f.size, None, "", ""))]


def _info(name: str, kind: str, size: int | None, bounds: tuple[int, int] | None, choices: str, word: str) -> str:
    parts = [_text(name), _text(kind), str(size)]
    if bounds:
        parts += [str(bounds[0]), str(bounds[1])]
    if choices:
        parts.append(choices)
    if word:
        parts.append(f"word={_text(word)}")
    return f"FieldInfo({', '.join(parts)})"


def _construct(f: Field) -> str:
    if f.parts:
        # Bits are written from the highest down; the word itself is little-endian.
        bits = ", ".join(f"{_text(part.name)} / construct.BitsInteger({part.bits})" for part in reversed(f.parts))
        return f"construct.ByteSwapped(construct.BitStruct({bits}))"
    if isinstance(f.const, bytes):
        return f"construct.Const(bytes.fromhex({_text(f.const.hex())}))"
    if f.const is not None:
        return f"construct.Const({f.const}, {_CONSTRUCTS[f.type]})"
    if f.is_number:
        return _CONSTRUCTS[f.type]
    return "construct.GreedyBytes" if f.size is None else f"construct.Bytes({f.size})"


def _column(f: Field) -> str:
    # V, not S: NumPy would strip zeros from the end of S.
    kind = f"<{f.type[0]}{f.size}" if f.is_number else f"V{f.size}"
    return f"({_text(f.name)}, {_text(kind)})"


def _registries(spec: Spec) -> list[str]:
    out = ["MESSAGES: dict[int, type[Record]] = {"]
    out += [f"    {record.code}: {_camel(record.name)}," for record in spec.messages]
    out += ["}", "", "PACKETS: dict[int, type[Record]] = {"]
    out += [f"    0x{record.code:02X}: {_camel(record.name)}Packet," for record in spec.link.packets]
    out += ["}", "", "BOARD_TICK_NS: dict[Board, int] = {"]
    for board in spec.boards:
        out += [f"    Board.{variant.name.upper()}: {board.tick_ns}," for variant in board.variants]
    bauds = {variant.desk_baud for board in spec.boards for variant in board.variants}
    literal = ", ".join(str(baud) for baud in sorted(bauds, reverse=True))
    words = "# What a logger may begin with at the desk, each board with its own."
    return [*out, "}", "", words, f"DESK_BAUDS = ({literal},)"]
