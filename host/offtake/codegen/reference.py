"""Render shared_spec as a reference page in Markdown: every block, frame, message, packet, enum, light and pin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeAlias

from offtake.codegen import reference_description, reference_dialects
from offtake.codegen.markdown import table, words
from offtake.dialects.tables import AnyDialect
from offtake.spec.lock_model import Lock, LockedRecord
from offtake.spec.model import Board, Enumeration, Field, Record, Scale, Spec

_Releases: TypeAlias = Mapping[str, Mapping[str, int]] | None
"""Release that each field of a released record came with; None where nothing has been released."""


def render(spec: Spec, dialects: Sequence[AnyDialect], banner: str, lock: Lock | None = None) -> str:
    """Text of ``shared_spec/REFERENCE.md``; the same input gives the same text. ``banner`` becomes a comment, ``lock``
    tells the release with which each field came."""
    releases = _releases(lock)
    out = [f"<!-- {line} -->" for line in banner.splitlines()]
    out += ["# Reference", "", "All numbers are little-endian unless said otherwise. Sizes and offsets are in bytes."]
    out += _block(spec, releases) + _frame(spec)
    out += ["", "## Journal header", "", words(spec.journal_header.doc), ""]
    out += _fields(spec.journal_header, releases, "journal_header")
    out += ["", f"Zeros follow, and the same CRC-32 as a block's at {spec.block.size - 4}."]
    out += ["", "## Messages"]
    for record in spec.messages:
        out += ["", f"### {record.name} (code {record.code})", "", words(record.doc), ""]
        if record.role == "sensor":
            often = f"at most {record.at_most_hz:g} a second" if record.at_most_hz else "now and then"
            out += [f"A sensor's message, {often}.{_interval(record)}", ""]
        out += _fields(record, releases, f"messages.{record.name}")
    out += ["", *reference_description.render(spec)]
    out += _link(spec, releases)
    out += ["", "## Enumerations"]
    for enum in spec.enums.values():
        out += ["", *_enumeration(enum)]
    for board in spec.boards:
        out += ["", *_board(board)]
    for dialect in dialects:
        out += ["", *reference_dialects.render(dialect)]
    return "\n".join([*out, ""])


def _block(spec: Spec, releases: _Releases) -> list[str]:
    block = spec.block
    out = ["", "## Block", "", words(block.doc), "", *_fields(block.header, releases, "block_header"), ""]
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


def _releases(lock: Lock | None) -> _Releases:
    if lock is None:
        return None
    records: dict[str, LockedRecord] = {"block_header": lock.block_header, "journal_header": lock.journal_header}
    records |= {f"messages.{name}": record for name, record in lock.messages.items()}
    records |= {f"packets.{name}": record for name, record in lock.packets.items()}
    return {key: {one.field.name: one.since for one in record.fields} for key, record in records.items()}


def _interval(record: Record) -> str:
    return f" Its interval is `{record.interval}` of the journal's header." if record.interval else ""


def _fields(record: Record, releases: _Releases, key: str) -> list[str]:
    if not record.fields:
        return ["No fields."]
    since = (releases or {}).get(key, {})
    rows: list[tuple[str, ...]] = []
    for f in record.fields:
        size = "the rest" if f.size is None else str(f.size)
        kind = f.type if f.count is None else f"{f.type} x {f.count}"
        release = str(since.get(f.name, "not yet"))
        rows.append((str(f.offset), size, kind, f"`{f.name}`", f.unit, _scale(f.scale), _limits(f), release, f.doc))
        for part in f.parts:
            place = f"bits {part.shift} to {part.shift + part.bits - 1}"
            rows.append(("", place, "", f"`{part.name}`", "", "", f"0 to {2**part.bits - 1}", "", part.doc))
    heads = ("offset", "size", "type", "field", "unit", "scale", "values", "release", "meaning")
    # A column that says nothing is left out.
    unused = {"scale"} if not any(row[5] for row in rows) else set()
    unused |= {"release"} if releases is None else set()
    kept = [index for index, head in enumerate(heads) if head not in unused]
    return table([heads[i] for i in kept], [[row[i] for i in kept] for row in rows])


def _scale(scale: Scale | None) -> str:
    """What a raw number is multiplied by."""
    if scale is None:
        return ""
    return f"1 / 2^{scale.fraction_bits}" if scale.fraction_bits else format(float(scale.exact(1)), "g")


def _limits(f: Field) -> str:
    if isinstance(f.const, bytes):
        return f"always {f.const.hex(' ')}"
    if f.const is not None:
        return f"always {f.const}"
    if f.enum or f.flags:
        return f"see `{f.enum or f.flags}`"
    if f.minimum is not None or f.maximum is not None:
        low, high = f.bounds
        return f"{low} to {high}" if f.scale is None else f"{f.scale.apply(low):g} to {f.scale.apply(high):g}"
    return ""


def _link(spec: Spec, releases: _Releases) -> list[str]:
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
        out += ["", f"### {record.name} (kind 0x{record.code:02X})", "", words(record.doc), ""]
        out += _fields(record, releases, f"packets.{record.name}")
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
