"""Render shared_spec's journal as a Kaitai Struct description, for those who read journals in another language."""

from __future__ import annotations

from offtake.codegen import kaitai_description as description
from offtake.codegen.kaitai_records import (
    Item,
    Names,
    by_code,
    enums_used,
    field_items,
    flag_types,
    part_item,
    record_type,
)
from offtake.codegen.kaitai_yaml import Node, dump, prose
from offtake.spec.model import Field, Record, Spec

_DOC = """
A journal as `offtake pull` leaves it, or as it lies in the file on the card. Everything that is named here is told in \
shared_spec/REFERENCE.md. \
What this description cannot do is check. Before you believe a block, compare the CRC-32 (the one of zlib, gzip and \
PNG) of its `checked` bytes with its `check`, and its `journal_id` with that in the header's settings: a power cut \
leaves torn blocks, and blocks of an older journal may lie behind the newest. Reading the file fails on none of them: \
frames are read only when you ask a block for them. Where `is_block` is false the bytes are unused (all of one value), \
damaged, or of another version, and are kept as `opaque`. \
Blocks lie in the file by position, not by age: sort them by `block_number`, since a journal may wrap. \
A payload is read when you ask a frame for its `message`; with a code that is not known here that is bytes, and so \
they are in `payload`. A field that was appended to a message later is absent in older frames. \
A journal too large for memory can be read in pieces: 512 bytes are a `block` by themselves."""

_PADDING = "Zeros, or settings of a later release."


def render(spec: Spec, banner: str) -> str:
    """Text of ``shared_spec/offtake_journal.ksy``; the same spec gives the same text. ``banner`` becomes comments."""
    records = (spec.journal_header, *spec.messages)
    meta: Item = {
        "id": "offtake_journal",
        "title": "Journal of the Offtake logger",
        "file-extension": "jnl",
        "ks-version": "0.9",
        "endian": "le",
        "bit-endian": "le",
    }
    enums = enums_used(records, spec.enums)
    names = Names()
    for name in enums:
        names.take(name)
    codes, kinds = names.take("message"), names.take("field_kind")
    enums[codes] = by_code(spec.messages)
    types: Item = {
        "header_block": _header_block(spec),
        "journal_header": _journal_header(spec.journal_header),
        "block": _block(spec),
        "frame_list": {"seq": [{"id": "entries", "type": "frame", "repeat": "eos"}]},
        "frame": _frame(spec, codes),
        "tick_offset": _tick_offset(spec),
        "bytes_of_payload": {"seq": [{"id": "bytes", "size-eos": True}]},
    }
    for record in spec.messages:
        if description.is_description(record):
            types |= {_type_of(record): description.description_type(record), **description.helper_types(kinds)}
            enums[kinds] = description.kinds()
        else:
            types[_type_of(record)] = record_type(record, growing=True)
    types |= flag_types(records, spec.enums)
    root: Item = {
        "meta": meta,
        "doc": prose(_DOC),
        "doc-ref": "shared_spec/REFERENCE.md",
        "seq": _file(spec),
        "types": types,
        "enums": enums,
    }
    return "\n".join([*(f"# {line}".rstrip() for line in banner.splitlines()), *dump(root), ""])


def _file(spec: Spec) -> list[Node]:
    size = spec.block.size
    return [
        {"id": "header", "type": "header_block", "size": size, "doc": "Block 0 of the file."},
        {
            "id": "blocks",
            "type": "block",
            "size": size,
            "repeat": "expr",
            "repeat-expr": f"_io.size / {size} - 1",
            "doc": "Blocks in the order of the file.",
        },
        {"id": "torn_end", "size-eos": True, "doc": "Bytes of a file that ends inside a block."},
    ]


def _type_of(record: Record) -> str:
    """Message types end in a word of their own, so that no message's name is that of another type."""
    return f"{record.name}_message"


def _literal(const: int | bytes | None) -> str:
    return f"[{', '.join(f'0x{byte:02x}' for byte in const)}]" if isinstance(const, bytes) else str(const)


def _header_block(spec: Spec) -> Item:
    record, size = spec.journal_header, spec.block.size
    marks = [f for f in record.fields if f.const is not None]
    seq: list[Node] = [item for f in marks for item in field_items(f)]
    seq += [
        {"id": "settings", "type": "journal_header", "if": "is_header"},
        {"id": "padding", "size": size - 4 - record.fixed_size, "if": "is_header", "doc": _PADDING},
        {"id": "check", "type": "u4", "if": "is_header", "doc": "CRC-32 over `checked`."},
        _opaque("is_header"),
    ]
    is_header = " and ".join(f"{f.name} == {_literal(f.const)}" for f in marks)
    doc = "False where the file does not begin with a header of this version."
    instances: Item = {"is_header": {"value": is_header, "doc": doc}, "checked": _checked(spec)}
    return {"doc": prose(record.doc), "seq": seq, "instances": instances}


def _journal_header(record: Record) -> Item:
    """Behind the marks; fields that were appended later are zero in older headers, hence always there."""
    fields = tuple(f for f in record.fields if f.const is None)
    settings = Record(record.name, record.code, "How to record, and whose journal it is.", fields)
    return record_type(settings, growing=False)


def _block(spec: Spec) -> Item:
    block = spec.block
    seq: list[Node] = []
    tests: list[str] = []
    known = False
    for f in block.header.fields:
        condition: Item = {"if": "is_block"} if known else {}
        seq += [item | condition for item in _block_field(f)]
        if f.const is not None:
            tests.append(f"{f.name} == {_literal(f.const)}")
        known = known or any(part.name == "version" for part in f.parts)
    tests += [f"version == {block.version}", f"used_bytes <= {block.space}"]
    seq += [
        {"id": "room", "size": block.space, "if": "is_block", "doc": "The frames as they lie, and zeros after them."},
        {"id": "check", "type": "u4", "if": "is_block", "doc": "CRC-32 over `checked`."},
        _opaque("is_block"),
    ]
    frames: Item = {
        "pos": block.header.fixed_size,
        "size": "used_bytes",
        "type": "frame_list",
        "if": "is_block",
        "doc": "Fails in a damaged block: look at `check` first.",
    }
    doc = "False for unused and most damaged blocks."
    instances: Item = {
        "is_block": {"value": " and ".join(tests), "doc": doc},
        "checked": _checked(spec),
        "frames": frames,
    }
    return {"doc": prose(block.doc), "seq": seq, "instances": instances}


def _block_field(f: Field) -> list[Item]:
    return [part_item(part) for part in f.parts] if f.parts else field_items(f)


def _checked(spec: Spec) -> Item:
    return {"pos": 0, "size": spec.block.size - 4, "doc": "The bytes that the check covers."}


def _opaque(known: str) -> Item:
    return {"id": "opaque", "size-eos": True, "if": f"not {known}", "doc": "The rest of what this does not know."}


def _frame(spec: Spec, codes: str) -> Item:
    frame = spec.frame
    seq: list[Node] = [
        {"id": "length", "type": f"b{frame.length_bits}", "doc": "Bytes of the payload."},
        {"id": "code", "type": f"b{frame.code_bits}", "enum": codes, "doc": "The message's code."},
        {"id": "tick_offset", "type": "tick_offset"},
        {"id": "payload", "type": "bytes_of_payload", "size": "length"},
        {"id": "check", "type": "u4", "doc": prose(frame.check_doc)},
    ]
    cases = {f"{codes}::{record.name}": _type_of(record) for record in spec.messages}
    tick: Item = {
        "value": "(_parent._parent.open_tick + tick_offset.value) % 4294967296",
        "doc": "When it happened, in ticks since power-up, modulo 2^32; a run's start tells a tick's length.",
    }
    message: Item = {
        "io": "payload._io",
        "pos": 0,
        "size-eos": True,
        "type": {"switch-on": "code", "cases": cases},
        "doc": "The payload by its code; bytes where that is not known here.",
    }
    return {"doc": prose(frame.doc), "seq": seq, "instances": {"tick": tick, "message": message}}


def _tick_offset(spec: Spec) -> Item:
    terms = ["(groups[0] & 0x7f)"]
    for index in range(1, spec.frame.tick_size_max):
        terms.append(f"(groups.size > {index} ? (groups[{index}] & 0x7f).as<u4> * {2 ** (7 * index)} : 0)")
    groups: Item = {"id": "groups", "type": "u1", "repeat": "until", "repeat-until": "_ < 0x80"}
    return {
        "doc": prose(spec.frame.tick_doc),
        "seq": [groups],
        "instances": {"value": {"value": " + ".join(terms)}},
    }
