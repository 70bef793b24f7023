"""Read and validate shared_spec (all but the dialects) into :class:`offtake.spec.model.Spec`."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

from offtake.errors import InputOutputError, SpecError
from offtake.spec.model import (
    VARIABLE_TYPES,
    WIRE_SIZES,
    Block,
    Board,
    Choice,
    Enumeration,
    Field,
    Frame,
    Light,
    Link,
    Part,
    Pin,
    Record,
    Spec,
    Variant,
)
from offtake.spec.table import Table, load_table

_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
_CODE_MAX = 127


def find_spec_folder(start: Path | None = None) -> Path:
    """The shared_spec folder of the checkout this package, or else ``start``, lies in. InputOutputError if none."""
    places = [start] if start else [Path(__file__).resolve(), Path.cwd() / "here"]
    for place in places:
        for folder in (place, *place.parents):
            if (folder / "shared_spec" / "block.toml").is_file():
                return folder / "shared_spec"
    raise InputOutputError(
        "no shared_spec folder here or above", where=str(places[-1]), expected="a checkout of Offtake"
    )


def load_spec(folder: Path) -> Spec:
    """Validate every file below ``folder`` strictly. SpecError names file and key path, and what was expected."""
    enums: dict[str, Enumeration] = {}
    boards = tuple(_board(path, enums) for path in sorted((folder / "boards").glob("*.toml")))
    if not boards:
        raise SpecError("no board", where=str(folder / "boards"), expected="at least one *.toml")
    _board_enum(boards, enums)
    block_file = load_table(folder / "block.toml", "block.toml")
    message_file = load_table(folder / "messages.toml", "messages.toml")
    link_file = load_table(folder / "link.toml", "link.toml")
    _enums(block_file.table("enums", {}), enums)
    enums["errors"] = _enumeration(block_file.table("errors"), "errors", "Why bytes were not accepted.", "value", 255)
    for file in (message_file, link_file):
        _enums(file.table("enums", {}), enums)
        _flag_sets(file.table("flag_sets", {}), enums)
    block = _block(block_file.table("block"), enums)
    frame = _frame(block_file.table("frame"))
    header = _journal_header(block_file.table("journal_header"), enums, block.size)
    block_file.end()
    room = min(block.space - frame.head_size - 1 - frame.check_size, 2**frame.length_bits - 1)
    messages = _records(message_file.table("messages"), "code", _CODE_MAX, enums, room)
    message_file.end("messages, enums or flag_sets")
    link = _link(link_file, enums, block.size)
    link_file.end("link, packets, enums or flag_sets")
    layout_hash = _layout_hash(block, frame, header, messages, link, enums)
    return Spec(block, frame, header, messages, link, boards, enums, layout_hash)


def _check_name(name: str, where: str) -> None:
    if not _NAME.match(name):
        raise SpecError(f"{name!r} is not a name", where=where, expected="small letters, digits and _, a letter first")


def _field(table: Table, offset: int, last: bool, enums: dict[str, Enumeration]) -> Field:
    name = table.text("name")
    _check_name(name, table.where)
    kind = table.word("type", (*WIRE_SIZES, *VARIABLE_TYPES))
    doc = table.text("doc")
    unit = table.text("unit", "")
    enum = table.text("enum", "")
    flags = table.text("flags", "")
    size: int | None = WIRE_SIZES.get(kind)
    if kind in VARIABLE_TYPES:
        size = table.optional_integer("size")
        if size is None and not last:
            raise SpecError(
                "a field without size must stand last", where=table.where, expected="size, or the last place"
            )
        if size is not None and not 1 <= size <= 511:
            raise SpecError(f"size {size} is out of range", where=table.where, expected="1 to 511")
    for reference, is_flags in ((enum, False), (flags, True)):
        if reference and (reference not in enums or enums[reference].is_flags != is_flags):
            known = ", ".join(sorted(key for key, value in enums.items() if value.is_flags == is_flags))
            raise SpecError(f"no {'flag set' if is_flags else 'enum'} {reference!r}", where=table.where, expected=known)
    minimum, maximum = table.optional_integer("min"), table.optional_integer("max")
    parts = _parts(table.tables("parts", []), table.where, size)
    const = _const(table, kind, size)
    at = table.text("offset", "")
    if at:
        raise SpecError("offsets follow from the order of fields", where=table.where, expected="no offset key")
    table.end("name, type, size, const, min, max, unit, enum, flags, parts, doc")
    field = Field(name, kind, offset, size, doc, unit, enum, flags, const, minimum, maximum, parts)
    if field.is_number:
        low, high = Field(name, kind, offset, size, doc).bounds
        for bound in (minimum, maximum, const if isinstance(const, int) else None):
            if bound is not None and not low <= bound <= high:
                raise SpecError(f"{bound} does not fit {kind}", where=table.where, expected=f"{low} to {high}")
        if field.bounds[0] > field.bounds[1]:
            raise SpecError("min is above max", where=table.where, expected="min <= max")
    elif minimum is not None or maximum is not None or enum or flags:
        raise SpecError(f"min, max, enum and flags do not go with {kind}", where=table.where, expected="a number type")
    return field


def _const(table: Table, kind: str, size: int | None) -> int | bytes | None:
    value = table.any_of("const")
    if value is None or (kind in WIRE_SIZES and isinstance(value, int) and not isinstance(value, bool)):
        return value
    if kind == "bytes" and isinstance(value, str) and re.fullmatch(r"([0-9a-f]{2})+", value):
        if size != len(value) // 2:
            raise SpecError(f"const has {len(value) // 2} bytes", where=table.where, expected=f"{size} bytes")
        return bytes.fromhex(value)
    raise SpecError(
        f"const {value!r} does not go with {kind}", where=table.where, expected="a number, or hex digits for bytes"
    )


def _parts(tables: list[Table], where: str, size: int | None) -> tuple[Part, ...]:
    parts: list[Part] = []
    shift = 0
    for table in tables:
        name, bits, doc = table.text("name"), table.integer("bits", 1, 31), table.text("doc")
        _check_name(name, table.where)
        table.end("name, bits, doc")
        parts.append(Part(name, bits, shift, doc))
        shift += bits
    if parts and (size is None or shift != 8 * size):
        raise SpecError(f"parts overlap or leave bits: {shift} bits", where=where, expected=f"{8 * (size or 0)} bits")
    return tuple(parts)


def _record(
    table: Table, name: str, code: int, doc: str, enums: dict[str, Enumeration], key: str, limit: int
) -> Record:
    fields: list[Field] = []
    seen: set[str] = set()
    offset = 0
    entries = table.tables(key)
    for index, entry in enumerate(entries):
        where = entry.where
        field = _field(entry, offset, index == len(entries) - 1, enums)
        for value_name in [part.name for part in field.parts] or [field.name]:
            if value_name in seen:
                raise SpecError(f"two fields named {value_name!r} overlap", where=where, expected="a name of its own")
            seen.add(value_name)
        fields.append(field)
        offset += field.size or 0
    if offset > limit:
        raise SpecError(f"{offset} bytes are too many", where=table.where, expected=f"at most {limit} bytes")
    return Record(name, code, doc, tuple(fields))


def _records(group: Table, key: str, code_max: int, enums: dict[str, Enumeration], limit: int) -> tuple[Record, ...]:
    records: list[Record] = []
    for name, table in group.named_tables():
        _check_name(name, table.where)
        code = table.integer(key, 1, code_max)
        for other in records:
            if other.code == code:
                raise SpecError(
                    f"{key} {code} is taken by {other.name}",
                    where=f"{table.where}.{key}",
                    expected=f"a {key} of its own",
                )
        record = _record(table, name, code, table.text("doc"), enums, "fields", limit)
        table.end(f"{key}, doc, fields")
        records.append(record)
    return tuple(records)


def _block(table: Table, enums: dict[str, Enumeration]) -> Block:
    doc, size, version = table.text("doc"), table.integer("size", 512, 512), table.integer("version", 1, 127)
    table.word("check", ("crc32",))
    check_doc = table.text("check_doc")
    header = _record(table, "block_header", 0, doc, enums, "header", 64)
    table.end()
    names = [part.name for f in header.fields for part in f.parts] + [f.name for f in header.fields]
    for needed in ("magic", "used_bytes", "version", "journal_id", "block_number", "run_number", "open_tick"):
        if needed not in names:
            raise SpecError("missing field", where=f"{table.where}.header", expected=needed)
    return Block(doc, size, version, check_doc, header)


def _frame(table: Table) -> Frame:
    table.word("head", ("u16",))
    table.word("tick", ("leb128",))
    table.word("check", ("crc32",))
    length_bits, code_bits = table.integer("length_bits", 9, 9), table.integer("code_bits", 7, 7)
    frame = Frame(table.text("doc"), length_bits, code_bits, table.text("tick_doc"), table.text("check_doc"))
    table.end()
    return frame


def _journal_header(table: Table, enums: dict[str, Enumeration], size: int) -> Record:
    doc = table.text("doc")
    table.word("check", ("crc32",))
    table.text("check_doc")
    record = _record(table, "journal_header", 0, doc, enums, "fields", size - 4)
    table.end()
    return record


def _link(file: Table, enums: dict[str, Enumeration], block_size: int) -> Link:
    table = file.table("link")
    table.word("check", ("crc16",))
    link = Link(
        doc=table.text("doc"),
        version=table.integer("version", 1, 255),
        check_doc=table.text("check_doc"),
        baud_fastest=table.integer("baud_fastest", 1200, 4_000_000),
        greet_wait_ms=table.integer("greet_wait_ms", 100, 10_000),
        baud_trial_ms=table.integer("baud_trial_ms", 100, 10_000),
        chunk_bytes_max=table.integer("chunk_bytes_max", 32, block_size),
        packets=_records(file.table("packets"), "kind", 255, enums, block_size + 8),
    )
    table.end()
    return link


def _enumeration(table: Table, name: str, doc: str, key: str, limit: int) -> Enumeration:
    choices: list[Choice] = []
    for choice_name, entry in table.named_tables():
        _check_name(choice_name, entry.where)
        choice = Choice(choice_name, entry.integer(key, 0, limit), entry.text("doc"))
        entry.end(f"{key}, doc")
        for other in choices:
            if other.value == choice.value:
                raise SpecError(
                    f"{key} {choice.value} is taken by {other.name}", where=entry.where, expected=f"a {key} of its own"
                )
        choices.append(choice)
    if not choices:
        raise SpecError("empty", where=table.where, expected="at least one choice")
    return Enumeration(name, doc, tuple(choices), is_flags=key == "bit")


def _add_enums(group: Table, enums: dict[str, Enumeration], key: str, limit: int) -> None:
    for name, table in group.named_tables():
        _check_name(name, table.where)
        if name in enums:
            raise SpecError(f"enum {name!r} exists already", where=table.where, expected="a name of its own")
        enums[name] = _enumeration(table, name, table.text("doc"), key, limit)


def _enums(group: Table, enums: dict[str, Enumeration]) -> None:
    _add_enums(group, enums, "value", 255)


def _flag_sets(group: Table, enums: dict[str, Enumeration]) -> None:
    _add_enums(group, enums, "bit", 31)


def _board(path: Path, enums: dict[str, Enumeration]) -> Board:
    file = load_table(path, f"boards/{path.name}")
    table = file.table("board")
    variants = []
    for entry in table.tables("variants"):
        name = entry.text("name")
        _check_name(name, entry.where)
        variants.append(
            Variant(
                name,
                entry.integer("code", 1, 255),
                entry.integer("clock_hz", 1_000_000, 10**9),
                entry.integer("desk_baud", 1200, 4_000_000),
                entry.text("doc"),
            )
        )
        entry.end()
    pins = []
    for name, entry in table.table("pins").named_tables():
        pins.append(Pin(name, entry.text("pin"), entry.text("doc")))
        entry.end()
    lights = []
    for name, entry in table.table("lights").named_tables():
        steps = entry.integers("steps", 1, 255)
        if len(steps) % 2:
            raise SpecError(f"{len(steps)} steps", where=entry.where, expected="pairs of on and off")
        lights.append(Light(name, steps, entry.text("doc")))
        entry.end()
    board = Board(
        name=path.stem,
        doc=table.text("doc"),
        tick_ns=table.integer("tick_ns", 1, 2**31),
        ram_bytes=table.integer("ram_bytes", 1, 2**31),
        flash_bytes=table.integer("flash_bytes", 1, 2**31),
        flash_limit_bytes=table.integer("flash_limit_bytes", 1, 2**31),
        stack_margin_bytes=table.integer("stack_margin_bytes", 1, 2**31),
        ring_bytes=table.integer("ring_bytes", 1, 2**31),
        desk_stack_bytes=table.integer("desk_stack_bytes", 0, 2**31),
        extents_max=table.integer("extents_max", 1, 2**31),
        variants=tuple(variants),
        pins=tuple(pins),
        lights=tuple(lights),
    )
    table.end()
    file.end("board")
    return board


def _board_enum(boards: tuple[Board, ...], enums: dict[str, Enumeration]) -> None:
    choices: list[Choice] = []
    for board in boards:
        for variant in board.variants:
            for other in choices:
                if other.value == variant.code:
                    raise SpecError(
                        f"code {variant.code} is taken by {other.name}",
                        where=f"boards/{board.name}.toml: board.variants ({variant.name})",
                        expected="a code of its own",
                    )
            choices.append(Choice(variant.name, variant.code, variant.doc))
    enums["board"] = Enumeration("board", "Board variants.", tuple(choices))


def _layout_hash(
    block: Block,
    frame: Frame,
    header: Record,
    messages: tuple[Record, ...],
    link: Link,
    enums: dict[str, Enumeration],
) -> int:
    """First 4 bytes, big-endian, of the SHA-256 of all that decides a byte or its meaning; words do not count."""

    def fields(record: Record) -> list[Any]:
        return [
            [f.name, f.type, f.size, f.unit, f.enum, f.flags, const(f), f.minimum, f.maximum, parts(f)]
            for f in record.fields
        ]

    def const(f: Field) -> Any:
        return f.const.hex() if isinstance(f.const, bytes) else f.const

    def parts(f: Field) -> list[Any]:
        return [[part.name, part.bits] for part in f.parts]

    canonical = {
        "block": [block.size, block.version, fields(block.header)],
        "frame": [frame.length_bits, frame.code_bits],
        "journal_header": fields(header),
        "messages": {record.name: [record.code, fields(record)] for record in messages},
        "link": [link.version, {record.name: [record.code, fields(record)] for record in link.packets}],
        "enums": {
            enum.name: [enum.is_flags, [[choice.name, choice.value] for choice in enum.choices]]
            for enum in enums.values()
        },
    }
    text = json.dumps(canonical, sort_keys=True, separators=(",", ":"))
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big")
