"""Render shared_spec as C: constants, enumerations, structs, static asserts, and field tables kept in flash."""

from __future__ import annotations

import zlib

from offtake.codegen import description
from offtake.codegen.c_records import Tables, c_records, log_function, struct
from offtake.codegen.c_words import bytes_table, comment
from offtake.spec.model import Board, Enumeration, Spec

_CRC32_POLYNOMIAL = 0xEDB88320
_INT_MAX = 2**15 - 1
"""Of an `int` on the smallest machine; an enumeration's values are of that type."""


def render_header(spec: Spec, banner: str) -> str:
    """Text of ``firmware/generated/ot_spec.h``."""
    out = [
        comment(banner),
        "#ifndef OT_SPEC_H",
        "#define OT_SPEC_H",
        "",
        "#include <stdbool.h>",
        "#include <stdint.h>",
        "",
        '#include "ot_record.h"',
        "",
    ]
    out += constants(spec)
    for enum in spec.enums.values():
        out += _enumeration(enum)
    for name, record in c_records(spec):
        out += struct(name, record)
    out += _logging(spec)
    out += ["/* Known messages by code; a code without fields known to this spec has a null layout. */"]
    out += ["extern const ot_layout *const ot_message_layouts[OT_MESSAGE_CODE_LAST + 1u] OT_FLASH;", ""]
    out += ["/* CRC-32/ISO-HDLC, byte by byte: the table's entries, their lowest bytes first. */"]
    out += ["extern const uint8_t ot_crc32_planes[4][256] OT_FLASH OT_FLASH_PAGED;", ""]
    out += ["#endif", ""]
    return "\n".join(out)


def render_source(spec: Spec, banner: str) -> str:
    """Text of ``firmware/generated/ot_spec.c``."""
    out = [comment(banner), '#include "ot_spec.h"', "", "#include <stddef.h>", ""]
    out += ["/* A negative array size is C99's static assert. */"]
    out += ["#define OT_ASSERT(name, condition) typedef char ot_assert_##name[(condition) ? 1 : -1]", ""]
    out += ["OT_ASSERT(block_size, OT_BLOCK_SIZE == OT_BLOCK_HEADER_SIZE + OT_BLOCK_SPACE + OT_BLOCK_CHECK_SIZE);"]
    for name, _ in c_records(spec):
        out.append(f"OT_ASSERT({name}, OT_{name.upper()}_SIZE <= OT_BLOCK_SIZE);")
    out.append("")
    tables = Tables(spec.enums)
    for name, record in c_records(spec):
        out += tables.table(name, record)
    out += bytes_table("const uint8_t ot_constants[] OT_FLASH", bytes(tables.constants) or b"\0")
    out += ["const ot_bound ot_bounds[] OT_FLASH = {"]
    out += [f"    {{{low}ul, {span}ul}}," for low, span in tables.bounds or [(0, 0)]]
    out += ["};", "OT_ASSERT(constants, sizeof ot_constants <= 256u);"]
    out += ["OT_ASSERT(bounds, sizeof ot_bounds / sizeof *ot_bounds <= OT_NO_BOUNDS);", ""]
    out += ["const ot_layout *const ot_message_layouts[OT_MESSAGE_CODE_LAST + 1u] OT_FLASH = {"]
    by_code = {record.code: record for record in spec.messages}
    for code in range(max(by_code) + 1):
        out.append(f"    {f'&ot_message_{by_code[code].name}_layout' if code in by_code else '0'},")
    out += ["};", ""]
    out += ["/* The payloads of all `description` frames, each behind its length; a length of 0 ends them. */"]
    described = b"".join(bytes([len(payload)]) + payload for payload in description.descriptions(spec))
    out += bytes_table("const uint8_t ot_descriptions[] OT_FLASH", described + b"\0")
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
    out = [comment(banner), f"#ifndef {guard}", f"#define {guard}", "", "#include <stdint.h>", ""]
    out += [f"#define OT_TICK_NS {board.tick_ns}ul", f"#define OT_RING_BYTES {board.ring_bytes}u"]
    out += [f"#define OT_DESK_STACK_BYTES {board.desk_stack_bytes}u"]
    out += [f"#define OT_SHELF_BYTES {board.shelf_bytes}u", f"#define OT_SENSOR_BYTES {board.sensor_bytes}u"]
    out += [f"#define OT_SENSOR_SHELF_BYTES {board.sensor_shelf_bytes}u"]
    out += [f"#define OT_SENSOR_STACK_BYTES {board.sensor_stack_bytes}u"]
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
        out.append(f"    OT_LIGHT_{light.name.upper()} = {at}, {comment(light.doc)}")
        at += len(light.steps) + 1
    out += ["} ot_light;", "", f"#define OT_LIGHT_STEP_BYTES {at}u"]
    steps = ", ".join(str(step) for light in board.lights for step in (*light.steps, 0))
    out += ["/* On and off times in units of 50 ms. */", f"#define OT_LIGHT_STEPS {{{steps}}}", "", "#endif", ""]
    return "\n".join(out)


def constants(spec: Spec) -> list[str]:
    """The lines that define the numbers of block, frame, messages and link."""
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
        f"#define OT_MESSAGE_FIELD_MAX {_number_max(spec)}u",
        f"#define OT_DESCRIPTIONS {len(spec.messages)}u",
        f"#define OT_DESCRIPTIONS_SIZE {description.size(spec)}u",
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


def _number_max(spec: Spec) -> int:
    """Bytes of the largest number in a message; strings of bytes are put straight from where they lie."""
    return max((f.element_size or 1 for record in spec.messages for f in record.fields if f.is_number), default=1)


def _enumeration(enum: Enumeration) -> list[str]:
    stem = "OT_" if enum.name == "errors" else f"OT_{enum.name.upper()}_"
    named = [
        (f"{stem}{c.name.upper()}", 1 << c.value if enum.is_flags else c.value, comment(c.doc)) for c in enum.choices
    ]
    if all(value <= _INT_MAX for _, value, _ in named):
        lines = [f"    {name} = {value}, {words}" for name, value, words in named]
        return [comment(enum.doc), "typedef enum {", *lines, f"}} ot_{enum.name};", ""]
    return [comment(enum.doc), *(f"#define {name} {value}ul {words}" for name, value, words in named), ""]


def _logging(spec: Spec) -> list[str]:
    out = [
        "/* Logging a sensor's message: by the function of its own below. False where it found no room, which is",
        " * counted. The tail is copied too. */",
        "bool ot_sensor_log(uint8_t code, uint32_t tick, const void *record);",
        "bool ot_sensor_log_tail(uint8_t code, uint32_t tick, const void *record, const uint8_t *tail,",
        "                        uint8_t tail_size);",
        "",
    ]
    for record in spec.messages:
        if record.role == "sensor":
            out += log_function(record)
    return [
        *out,
        "/* What each run says of its frames: payloads of `description` frames, each behind its length, then a 0. */",
        "extern const uint8_t ot_descriptions[] OT_FLASH;",
        "",
    ]


def _crc32_entry(value: int) -> int:
    """Entry of the byte-wise CRC-32 table; zlib is the reference that it is compared with here and now."""
    crc = value
    for _ in range(8):
        crc = (crc >> 1) ^ (_CRC32_POLYNOMIAL if crc & 1 else 0)
    if zlib.crc32(bytes([value ^ 0xFF])) != (crc ^ 0xFFFFFF) ^ 0xFFFFFFFF:
        raise AssertionError("CRC-32 table disagrees with zlib")
    return crc
