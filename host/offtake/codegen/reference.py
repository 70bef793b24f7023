"""Render shared_spec as a reference page in Markdown: every block, frame, message, packet, enum, light and pin."""

from __future__ import annotations

from collections.abc import Sequence

from offtake.codegen import reference_dialects
from offtake.codegen.markdown import table, words
from offtake.dialects.tables import AnyDialect
from offtake.spec.model import Board, Enumeration, Field, Record, Spec


def render(spec: Spec, dialects: Sequence[AnyDialect], banner: str) -> str:
    """Text of ``shared_spec/REFERENCE.md``; the same input gives the same text. ``banner`` becomes a comment."""
    out = [f"<!-- {line} -->" for line in banner.splitlines()]
    out += ["# Reference", "", "All numbers are little-endian unless said otherwise. Sizes and offsets are in bytes."]
    out += _block(spec) + _frame(spec)
    out += ["", "## Journal header", "", words(spec.journal_header.doc), "", *_fields(spec.journal_header)]
    out += ["", f"Zeros follow, and the same CRC-32 as a block's at {spec.block.size - 4}."]
    out += ["", "## Messages"]
    for record in spec.messages:
        out += ["", f"### {record.name} (code {record.code})", "", words(record.doc), "", *_fields(record)]
    out += _link(spec)
    out += ["", "## Enumerations"]
    for enum in spec.enums.values():
        out += ["", *_enumeration(enum)]
    for board in spec.boards:
        out += ["", *_board(board)]
    for dialect in dialects:
        out += ["", *reference_dialects.render(dialect)]
    return "\n".join([*out, ""])


def _block(spec: Spec) -> list[str]:
    block = spec.block
    out = ["", "## Block", "", words(block.doc), "", *_fields(block.header), ""]
    out += table(
        ("offset", "size", "content"),
        [
            ("0", str(block.header.fixed_size), "header, as above"),
            (str(block.header.fixed_size), f"up to {block.space}", "frames, then zeros"),
            (str(block.size - 4), "4", block.check_doc),
        ],
    )
    return [*out, "", f"Layout version {block.version}."]


def _frame(spec: Spec) -> list[str]:
    frame = spec.frame
    out = ["", "## Frame", "", words(frame.doc), ""]
    head = f"Bits 0 to {frame.length_bits - 1}: length of the payload; the {frame.code_bits} bits above: message code."
    return out + table(
        ("part", "size", "content"),
        [
            ("head", str(frame.head_size), head),
            ("tick offset", f"1 to {frame.tick_size_max}", frame.tick_doc),
            ("payload", "by the head", "The message's fields."),
            ("check", str(frame.check_size), frame.check_doc),
        ],
    )


def _fields(record: Record) -> list[str]:
    if not record.fields:
        return ["No fields."]
    rows = []
    for f in record.fields:
        size = "the rest" if f.size is None else str(f.size)
        rows.append((str(f.offset), size, f.type, f"`{f.name}`", f.unit, _limits(f), f.doc))
        for part in f.parts:
            place = f"bits {part.shift} to {part.shift + part.bits - 1}"
            rows.append(("", place, "", f"`{part.name}`", "", f"0 to {2**part.bits - 1}", part.doc))
    return table(("offset", "size", "type", "field", "unit", "values", "meaning"), rows)


def _limits(f: Field) -> str:
    if isinstance(f.const, bytes):
        return f"always {f.const.hex(' ')}"
    if f.const is not None:
        return f"always {f.const}"
    if f.enum or f.flags:
        return f"see `{f.enum or f.flags}`"
    if f.minimum is not None or f.maximum is not None:
        low, high = f.bounds
        return f"{low} to {high}"
    return ""


def _link(spec: Spec) -> list[str]:
    link = spec.link
    out = ["", "## Desk link", "", words(link.doc), "", f"Link version {link.version}. {words(link.check_doc)}", ""]
    out += table(
        ("what", "value"),
        [
            ("first speed", "each board's own"),
            ("fastest speed", f"{link.baud_fastest} Bd"),
            ("how long a reset logger listens for a greeting", f"{link.greet_wait_ms} ms"),
            ("how long a new speed is tried", f"{link.baud_trial_ms} ms"),
            ("largest chunk", f"{link.chunk_bytes_max} bytes"),
        ],
    )
    for record in link.packets:
        out += ["", f"### {record.name} (kind 0x{record.code:02X})", "", words(record.doc), "", *_fields(record)]
    return out


def _enumeration(enum: Enumeration) -> list[str]:
    column = "bit" if enum.is_flags else "value"
    rows = [(str(choice.value), f"`{choice.name}`", choice.doc) for choice in enum.choices]
    return [f"### {enum.name}", "", words(enum.doc), "", *table((column, "name", "meaning"), rows)]


def _board(board: Board) -> list[str]:
    out = [f"## Board {board.name}", "", words(board.doc), ""]
    out += table(
        ("what", "value"),
        [
            ("tick", f"{board.tick_ns} ns"),
            ("RAM", f"{board.ram_bytes} bytes"),
            ("flash", f"{board.flash_bytes} bytes, of which the firmware may take {board.flash_limit_bytes}"),
            ("RAM kept free above the deepest stack", f"{board.stack_margin_bytes} bytes"),
            ("ring", f"{board.ring_bytes} bytes"),
            ("of it left to the stack at the desk", f"{board.desk_stack_bytes} bytes"),
            ("pieces a journal file may lie in", str(board.extents_max)),
        ],
    )
    rows = [
        (str(v.code), f"`{v.name}`", f"{v.clock_hz} Hz", f"{v.desk_baud} Bd", v.doc) for v in board.variants
    ]
    out += ["", "### Variants", "", *table(("code", "name", "clock", "first speed at the desk", "meaning"), rows)]
    rows_of_pins = [(pin.pin, f"`{pin.name}`", pin.doc) for pin in board.pins]
    out += ["", "### Pins", "", *table(("pin", "name", "meaning"), rows_of_pins)]
    rows_of_lights = [(f"`{light.name}`", _steps(light.steps), light.doc) for light in board.lights]
    return [*out, "", "### Lights", "", *table(("name", "on, off, on, ... in ms", "meaning"), rows_of_lights)]


def _steps(steps: tuple[int, ...]) -> str:
    return ", ".join(str(50 * step) for step in steps)
