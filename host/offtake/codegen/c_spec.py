"""Render shared_spec as C: constants, enumerations, structs, static asserts, and field tables kept in flash."""

from __future__ import annotations

import zlib
from dataclasses import replace

from offtake.errors import SpecError
from offtake.spec.model import Board, Enumeration, Field, Record, Spec

_CRC32_POLYNOMIAL = 0xEDB88320


def render_header(spec: Spec, banner: str) -> str:
    """Text of ``firmware/generated/ot_spec.h``."""
    out = [
        *_comment(banner),
        "#ifndef OT_SPEC_H",
        "#define OT_SPEC_H",
        "",
        "#include <stdint.h>",
        "",
        '#include "ot_record.h"',
        "",
    ]
    out += _constants(spec)
    for enum in spec.enums.values():
        out += _enumeration(enum)
    for record in (spec.journal_header, *spec.messages, *spec.link.packets):
        out += _struct(record, _prefix(spec, record))
    out += ["/* Known messages by code; a code without fields known to this spec has a null layout. */"]
    out += ["extern const ot_layout *const ot_message_layouts[OT_MESSAGE_CODE_LAST + 1u] OT_FLASH;", ""]
    out += ["/* CRC-32/ISO-HDLC, byte by byte: the table's entries, their lowest bytes first. */"]
    out += ["extern const uint8_t ot_crc32_planes[4][256] OT_FLASH OT_FLASH_PAGED;", ""]
    out += ["#endif", ""]
    return "\n".join(out)


def render_source(spec: Spec, banner: str) -> str:
    """Text of ``firmware/generated/ot_spec.c``."""
    out = [*_comment(banner), '#include "ot_spec.h"', "", "#include <stddef.h>", ""]
    out += ["/* A negative array size is C99's static assert. */"]
    out += ["#define OT_ASSERT(name, condition) typedef char ot_assert_##name[(condition) ? 1 : -1]", ""]
    out += ["OT_ASSERT(block_size, OT_BLOCK_SIZE == OT_BLOCK_HEADER_SIZE + OT_BLOCK_SPACE + OT_BLOCK_CHECK_SIZE);"]
    for record in (spec.journal_header, *spec.messages, *spec.link.packets):
        name = f"{_prefix(spec, record)}_{record.name}"
        out.append(f"OT_ASSERT({name}, OT_{name.upper()}_SIZE <= OT_BLOCK_SIZE);")
    out.append("")
    constants = bytearray()
    bounds: list[tuple[int, int]] = []
    for record in (spec.journal_header, *spec.messages, *spec.link.packets):
        out += _table(spec, record, _prefix(spec, record), constants, bounds)
    out += _bytes_table("const uint8_t ot_constants[] OT_FLASH", bytes(constants) or b"\0")
    out += ["const ot_bound ot_bounds[] OT_FLASH = {"]
    out += [f"    {{{low}ul, {span}ul}}," for low, span in bounds or [(0, 0)]]
    out += ["};", "OT_ASSERT(constants, sizeof ot_constants <= 256u);"]
    out += ["OT_ASSERT(bounds, sizeof ot_bounds / sizeof *ot_bounds <= OT_NO_BOUNDS);", ""]
    out += ["const ot_layout *const ot_message_layouts[OT_MESSAGE_CODE_LAST + 1u] OT_FLASH = {"]
    by_code = {record.code: record for record in spec.messages}
    for code in range(max(by_code) + 1):
        out.append(f"    {f'&ot_message_{by_code[code].name}_layout' if code in by_code else '0'},")
    out += ["};", ""]
    table = [_crc32_entry(value) for value in range(256)]
    out += ["const uint8_t ot_crc32_planes[4][256] OT_FLASH OT_FLASH_PAGED = {"]
    for shift in (0, 8, 16, 24):
        plane = [value >> shift & 0xFF for value in table]
        rows = [" ".join(f"0x{value:02x}," for value in plane[at : at + 16]) for at in range(0, 256, 16)]
        out += ["    {", *("        " + row for row in rows), "    },"]
    out += ["};", ""]
    return "\n".join(out)


def render_board_header(spec: Spec, board: Board, banner: str) -> str:
    """Text of ``firmware/generated/ot_board_<name>.h``: memory, tick and lights of one board."""
    guard = f"OT_BOARD_{board.name.upper()}_H"
    out = [*_comment(banner), f"#ifndef {guard}", f"#define {guard}", "", "#include <stdint.h>", ""]
    out += [f"#define OT_TICK_NS {board.tick_ns}ul", f"#define OT_RING_BYTES {board.ring_bytes}u"]
    out += [f"#define OT_DESK_STACK_BYTES {board.desk_stack_bytes}u"]
    out += [f"#define OT_EXTENTS_MAX {board.extents_max}u"]
    for variant in board.variants:
        out.append(f"#define OT_CLOCK_{variant.name.upper()} {variant.clock_hz}ul")
        out.append(f"#define OT_DESK_BAUD_{variant.name.upper()} {variant.desk_baud}ul")
    out += [
        "",
        "/* Light patterns: where each starts in ot_light_steps; a pattern ends at a zero. */",
        "typedef enum {",
    ]
    at = 0
    for light in board.lights:
        out.append(f"    OT_LIGHT_{light.name.upper()} = {at}, /* {light.doc} */")
        at += len(light.steps) + 1
    out += ["} ot_light;", "", f"#define OT_LIGHT_STEP_BYTES {at}u"]
    steps = ", ".join(str(step) for light in board.lights for step in (*light.steps, 0))
    out += ["/* On and off times in units of 50 ms. */", f"#define OT_LIGHT_STEPS {{{steps}}}", "", "#endif", ""]
    return "\n".join(out)


def _comment(banner: str) -> list[str]:
    return [f"/* {line} */" for line in banner.splitlines()]


def _prefix(spec: Spec, record: Record) -> str:
    if record is spec.journal_header:
        return "head"
    return "message" if record in spec.messages else "packet"


def _constants(spec: Spec) -> list[str]:
    header, link = spec.block.header, spec.link
    out = [
        f"#define OT_SPEC_HASH 0x{spec.layout_hash:08x}ul",
        f"#define OT_BLOCK_SIZE {spec.block.size}u",
        f"#define OT_BLOCK_VERSION {spec.block.version}u",
        f"#define OT_BLOCK_HEADER_SIZE {header.fixed_size}u",
        f"#define OT_BLOCK_CHECK_SIZE {spec.frame.check_size}u",
        f"#define OT_BLOCK_SPACE {spec.block.space}u",
        f"#define OT_FRAME_HEAD_SIZE {spec.frame.head_size}u",
        f"#define OT_FRAME_CHECK_SIZE {spec.frame.check_size}u",
        f"#define OT_FRAME_TICK_SIZE_MAX {spec.frame.tick_size_max}u",
        f"#define OT_FRAME_LENGTH_BITS {spec.frame.length_bits}u",
        f"#define OT_MESSAGE_CODE_LAST {max(record.code for record in spec.messages)}u",
        f"#define OT_MESSAGE_FIELD_MAX {max(f.size or 1 for record in spec.messages for f in record.fields)}u",
        f"#define OT_LINK_VERSION {link.version}u",
        f"#define OT_LINK_BAUD_FASTEST {link.baud_fastest}ul",
        f"#define OT_LINK_GREET_WAIT_MS {link.greet_wait_ms}u",
        f"#define OT_LINK_BAUD_TRIAL_MS {link.baud_trial_ms}u",
        f"#define OT_LINK_CHUNK_MAX {link.chunk_bytes_max}u",
    ]
    for f in header.fields:
        out.append(f"#define OT_BLOCK_{f.name.upper()}_AT {f.offset}u")
        if isinstance(f.const, int):
            out.append(f"#define OT_BLOCK_{f.name.upper()} 0x{f.const:02x}u")
        for part in f.parts:
            out.append(f"#define OT_BLOCK_{part.name.upper()}_SHIFT {part.shift}u")
            out.append(f"#define OT_BLOCK_{part.name.upper()}_MASK {2**part.bits - 1}u")
    return [*out, ""]


def _enumeration(enum: Enumeration) -> list[str]:
    stem = "OT_" if enum.name == "errors" else f"OT_{enum.name.upper()}_"
    values = [1 << c.value if enum.is_flags else c.value for c in enum.choices]
    lines = [
        f"    {stem}{c.name.upper()} = {value}, /* {c.doc} */" for c, value in zip(enum.choices, values, strict=True)
    ]
    return [f"/* {enum.doc} */", "typedef enum {", *lines, f"}} ot_{enum.name};", ""]


def _logger_part(record: Record, prefix: str) -> Record:
    """The part of a record that a logger keeps: of the journal's header, not the label at its end, for people."""
    fields = record.fields
    while prefix == "head" and fields and fields[-1].type == "text":
        fields = fields[:-1]
    return replace(record, fields=fields)


def _struct(record: Record, prefix: str) -> list[str]:
    name = f"{prefix}_{record.name}"
    record = _logger_part(record, prefix)
    out = [f"/* {record.doc} */", f"#define OT_{name.upper()}_SIZE {record.fixed_size}u"]
    if prefix != "head":
        out.append(f"#define OT_{name.upper()} {record.code}u")
    members = [member for f in record.fields if (member := _member(f))]
    if members:
        out += ["typedef struct {", *members, f"}} ot_{name};"]
    return [*out, f"extern const ot_layout ot_{name}_layout OT_FLASH;", ""]


def _member(f: Field) -> str:
    if f.const is not None or f.size is None:
        return ""
    if f.is_number:
        return f"    {'int' if f.type[0] == 'i' else 'uint'}{8 * f.size}_t {f.name}; /* {f.doc} */"
    return f"    uint8_t {f.name}[{f.size}]; /* {f.doc} */"


def _table(spec: Spec, record: Record, prefix: str, constants: bytearray, bounds: list[tuple[int, int]]) -> list[str]:
    name = f"ot_{prefix}_{record.name}"
    record = _logger_part(record, prefix)
    rows = []
    for f in record.fields:
        if f.size is None:
            continue
        if f.const is not None:
            rows.append(f"    {{{len(constants)}, OT_KIND_CONSTANT, {f.size}, OT_NO_BOUNDS}},")
            constants += f.const.to_bytes(f.size, "little") if isinstance(f.const, int) else f.const
        elif not f.is_number:
            rows.append(f"    {{offsetof({name}, {f.name}), OT_KIND_BYTES, {f.size}, OT_NO_BOUNDS}},")
        else:
            kind = "OT_KIND_SIGNED" if f.type[0] == "i" else "OT_KIND_UNSIGNED"
            rows.append(f"    {{offsetof({name}, {f.name}), {kind}, {f.size}, {_bounds(spec, f, f.size, bounds)}}},")
    out = []
    if rows:
        out += [f"static const ot_field {name}_fields[] OT_FLASH = {{", *rows, "};"]
    fields = f"{name}_fields" if rows else "0"
    tail = 1 if record.tail else 0
    return [
        *out,
        f"const ot_layout {name}_layout OT_FLASH = {{{fields}, {len(rows)}, {record.fixed_size}, {tail}}};",
        "",
    ]


def _bounds(spec: Spec, f: Field, size: int, bounds: list[tuple[int, int]]) -> str:
    """Place of a field's low end and span among ``bounds``, added if new; none when they are its size's own."""
    low, high = _range(spec, f)
    end = 1 << 8 * size
    if high - low == end - 1:
        return "OT_NO_BOUNDS"
    bound = (low % end, high - low)
    if bound not in bounds:
        bounds.append(bound)
    return str(bounds.index(bound))


def _range(spec: Spec, f: Field) -> tuple[int, int]:
    if not f.enum:
        return f.bounds
    values = sorted(choice.value for choice in spec.enums[f.enum].choices)
    if values != list(range(values[0], values[-1] + 1)):
        raise SpecError("values leave a hole", where=f"enums.{f.enum}", expected="values without a hole")
    return values[0], values[-1]


def _bytes_table(declaration: str, data: bytes) -> list[str]:
    rows = ["    " + " ".join(f"0x{value:02x}," for value in data[at : at + 12]) for at in range(0, len(data), 12)]
    return [f"{declaration} = {{", *rows, "};", ""]


def _crc32_entry(value: int) -> int:
    """Entry of the byte-wise CRC-32 table; zlib is the reference that it is compared with here and now."""
    crc = value
    for _ in range(8):
        crc = (crc >> 1) ^ (_CRC32_POLYNOMIAL if crc & 1 else 0)
    if zlib.crc32(bytes([value ^ 0xFF])) != (crc ^ 0xFFFFFF) ^ 0xFFFFFFFF:
        raise AssertionError("CRC-32 table disagrees with zlib")
    return crc
