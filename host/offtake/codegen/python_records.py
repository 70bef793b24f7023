"""Render shared_spec as Python: constants, enumerations, records with construct and NumPy descriptions."""

from __future__ import annotations

import json
from typing import NamedTuple

from offtake.spec.model import Enumeration, Field, Record, Scale, Spec

_CONSTRUCTS = {
    "u8": "_construct.Int8ul",
    "u16": "_construct.Int16ul",
    "u32": "_construct.Int32ul",
    "i8": "_construct.Int8sl",
    "i16": "_construct.Int16sl",
    "i32": "_construct.Int32sl",
}


def render(spec: Spec, banner: str, release: int = 0) -> str:
    """Text of ``offtake/generated/records.py``; the same spec gives the same text. ``banner`` becomes comments, and
    ``release`` is the number of the last one, 0 before the first."""
    out = [f"# {line}".rstrip() for line in banner.splitlines()]
    out += [
        f"# ruff: noqa: E501{', RUF009' if _has_call_defaults(spec) else ''}",
        '"""Constants, enumerations and records of shared_spec."""',
        "",
        "from __future__ import annotations",
        "",
        "import builtins as _builtins",
        "from dataclasses import dataclass",
        "from enum import IntEnum, IntFlag",
        "",
        "import construct as _construct  # type: ignore[import-untyped]",
        "import numpy as _np",
        "",
        "from offtake.records import FieldInfo, Record",
        *(["from offtake.spec.model import Scale as _Scale"] if _has_scales(spec) else []),
        "",
        f"SPEC_RELEASE = {release}",
        *_constants(spec),
    ]
    for enum in spec.enums.values():
        out += ["", "", *_enumeration(enum)]
    out += ["", "", "class _Record(Record):", "    __slots__ = ()", "    STATUS = Status"]
    for class_name, record in classes(spec):
        out += ["", "", *_record(spec, class_name, record)]
    out += ["", "", *_registries(spec)]
    return "\n".join([*out, ""])


def class_of(enum_name: str) -> str:
    """Name of the Python class of an enumeration."""
    return "Status" if enum_name == "errors" else _camel(enum_name)


def classes(spec: Spec) -> list[tuple[str, Record]]:
    """(name of its Python class, record) for every record of the spec."""
    named = [(_camel(record.name), record) for record in (spec.block.header, spec.journal_header, *spec.messages)]
    return named + [(_camel(record.name) + "Packet", record) for record in spec.link.packets]


def _has_call_defaults(spec: Spec) -> bool:
    return any("(" in _zero(f) for f in spec.journal_header.fields if f.optional and f.const is None)


def _has_scales(spec: Spec) -> bool:
    return any(f.scale for _, record in classes(spec) for f in record.fields)


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
            literal = f"_builtins.bytes.fromhex({_text(f.const.hex())})" if isinstance(f.const, bytes) else str(f.const)
            out.append(f"JOURNAL_{f.name.upper()} = {literal}")
    return out


def _enumeration(enum: Enumeration) -> list[str]:
    out = [f"class {class_of(enum.name)}({'IntFlag' if enum.is_flags else 'IntEnum'}):", f"    {_doc(enum.doc)}", ""]
    for choice in enum.choices:
        value = f"1 << {choice.value}" if enum.is_flags else str(choice.value)
        out += [f"    {choice.name.upper()} = {value}", f"    {_doc(choice.doc)}"]
    return out


def _record(spec: Spec, class_name: str, record: Record) -> list[str]:
    is_header = record is spec.journal_header
    # Only messages have a role; the rest is between logger and computer.
    role = record.role if record in spec.messages else "logger"
    out = ["@dataclass(frozen=True, slots=True)", f"class {class_name}(_Record):", f"    {_doc(record.doc)}", ""]
    members = [(f, member) for f in record.fields for member in _members(f)]
    names = {member.name for _, member in members}
    for f, member in members:
        # A class's own member of that name would hide the builtin type.
        type_name = f"_builtins.{member.type}" if member.type.split("[")[0] in names else member.type
        default = ""
        if f.optional and is_header:
            default = f" = {_zero(f)}"
        elif f.optional:
            type_name, default = f"{type_name} | None", " = None"
        out += [f"    {member.name}: {type_name}{default}", f"    {_doc(member.doc)}"]
    if members:
        out.append("")
    # Class attributes without annotation are no dataclass fields.
    out += [
        f"    NAME = {_text(record.name)}",
        f"    CODE = {record.code}",
        f"    ROLE = {_text(role)}",
        f"    AT_MOST_HZ = {record.at_most_hz}",
        f"    FIXED_SIZE = {record.fixed_size}",
        f"    SIZE_MIN = {record.size_min}",
        f"    HAS_TAIL = {record.tail is not None}",
        *_tuple("FIELDS", [member.info for _, member in members], "(", ")"),
        *_tuple("LAYOUT", [f"{_text(f.name)} / {_construct(f)}" for f in record.fields], "_construct.Struct(", ")"),
        *_tuple("DTYPE", [_column(f) for f in record.fields if f.size is not None], "_np.dtype([", "])"),
    ]
    return out


def _tuple(name: str, items: list[str], begin: str, end: str) -> list[str]:
    if not items:
        return [f"    {name} = {begin}{end}"]
    return [f"    {name} = {begin}", *(f"        {item}," for item in items), f"    {end}"]


class _Member(NamedTuple):
    """What stands for a value of a record in its class."""

    name: str
    type: str
    doc: str
    info: str


def _members(f: Field) -> list[_Member]:
    """The values that a field gives; a constant gives none."""
    if f.const is not None:
        return []
    if f.parts:
        return [
            _Member(part.name, "int", part.doc, _info(f, part.name, (0, 2**part.bits - 1), word=_text(f.name)))
            for part in f.parts
        ]
    doc = f"{f.doc} [{f.unit}]" if f.unit else f.doc
    if not f.is_number:
        return [_Member(f.name, "str" if f.type == "text" else "bytes", doc, _info(f, f.name, None))]
    if f.scale:
        doc += f" The value is raw {_times(f.scale)}."
    if f.count is not None:
        return [_Member(f.name, "tuple[int, ...]", doc, _info(f, f.name, f.bounds))]
    choices = class_of(f.enum or f.flags) if f.enum or f.flags else ""
    return [_Member(f.name, choices or "int", doc, _info(f, f.name, f.bounds, choices=choices))]


def _times(scale: Scale) -> str:
    return f"/ 2^{scale.fraction_bits}" if scale.fraction_bits else f"x {scale.mantissa}e{scale.exponent}"


def _zero(f: Field) -> str:
    """What the zeros after an older journal's header mean."""
    if f.enum or f.flags:
        return f"{class_of(f.enum or f.flags)}(0)"
    if f.count is not None:
        return f"(0,) * {f.count}"
    return "0" if f.is_number else f"_builtins.bytes({f.size})" if f.type == "bytes" else '""'


def _info(f: Field, name: str, bounds: tuple[int, int] | None, *, choices: str = "", word: str = "") -> str:
    parts = [_text(name), _text(f.type), str(f.size), *(map(str, bounds or ())), *([choices] if choices else [])]
    parts += [f"word={word}"] if word else []
    parts += [f"count={f.count}"] if f.count is not None else []
    if f.scale:
        parts.append(f"scale=_Scale({f.scale.mantissa}, {f.scale.exponent}, {f.scale.fraction_bits})")
    parts += ["optional=True"] if f.optional else []
    parts += [f"unit={_text(f.unit)}"] if f.unit and not f.parts else []
    return f"FieldInfo({', '.join(parts)})"


def _construct(f: Field) -> str:
    if f.parts:
        # Bits are written from the highest down; the word itself is little-endian.
        bits = ", ".join(f"{_text(part.name)} / _construct.BitsInteger({part.bits})" for part in reversed(f.parts))
        return f"_construct.ByteSwapped(_construct.BitStruct({bits}))"
    if isinstance(f.const, bytes):
        return f"_construct.Const(_builtins.bytes.fromhex({_text(f.const.hex())}))"
    if f.const is not None:
        return f"_construct.Const({f.const}, {_CONSTRUCTS[f.type]})"
    if f.count is not None:
        return f"_construct.Array({f.count}, {_CONSTRUCTS[f.type]})"
    if f.is_number:
        return _CONSTRUCTS[f.type]
    return "_construct.GreedyBytes" if f.size is None else f"_construct.Bytes({f.size})"


def _column(f: Field) -> str:
    # V, not S: NumPy would strip zeros from the end of S.
    kind = f"<{f.type[0]}{f.element_size}" if f.is_number else f"V{f.size}"
    shape = f", ({f.count},)" if f.count is not None else ""
    return f"({_text(f.name)}, {_text(kind)}{shape})"


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
