"""Read and validate shared_spec (all but the dialects) into :class:`offtake.spec.model.Spec`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path

from offtake.errors import InputOutputError, SpecError
from offtake.spec.boards import read_boards
from offtake.spec.fields import Rules, read_record
from offtake.spec.layout_hash import layout_hash
from offtake.spec.lock import FILE as LOCK_FILE
from offtake.spec.lock import mark_optional, read_lock
from offtake.spec.lock_model import Lock
from offtake.spec.model import CODE_LAST, FIXED_BYTES_MAX, ROLES, Block, Choice, Enumeration, Frame, Link, Record, Spec
from offtake.spec.names import check_classes, check_name, class_name, read_doc
from offtake.spec.table import Source, Table, parse_table, read_source

_HZ_MAX = 100_000
_FILES = ("block.toml", "messages.toml", "link.toml")


@dataclass(frozen=True)
class Loaded:
    """A valid definition, the texts it was read from, by name, to look up lines in, and what has been released.

    ``folder`` is the shared_spec folder.
    """

    folder: Path
    spec: Spec
    sources: dict[str, Source]
    lock: Lock | None


def find_spec_folder(start: Path | None = None) -> Path:
    """The shared_spec folder of the checkout this package, or else ``start``, lies in. InputOutputError if none."""
    places = [start] if start else [Path(__file__).resolve(), Path.cwd() / "here"]
    for place in places:
        for folder in (place, *place.parents, *place.resolve().parents):
            if (folder / "shared_spec" / "block.toml").is_file():
                return folder / "shared_spec"
    raise InputOutputError(
        "no shared_spec folder here or above", where=str(places[-1]), expected="a checkout of Offtake"
    )


def load_spec(folder: Path) -> Spec:
    """Validate every file below ``folder`` strictly. SpecError names file, line and key path, and what was expected.

    Where there is a ``published.lock``, fields that came after their record's first release are optional.
    """
    return load_with_sources(folder).spec


def load_with_sources(folder: Path, texts: Mapping[str, str] | None = None) -> Loaded:
    """As :func:`load_spec`, with the files' texts. ``texts`` by file name stand in for what lies in ``folder``."""
    boards, board_enum, sources = read_boards(folder / "boards")
    files: dict[str, Table] = {}
    for name in _FILES:
        given = (texts or {}).get(name)
        sources[name] = read_source(folder / name, name) if given is None else Source(name, given)
        files[name] = parse_table(sources[name], Decimal)
    block_file, message_file, link_file = files.values()
    enums = {"board": board_enum}
    wheres = {"board": "boards"}
    _add_enums(block_file, "enums", enums, wheres)
    errors = block_file.table("errors")
    enums["errors"] = _enumeration(errors, "errors", "Why bytes were not accepted.", "value", 255)
    for file in (message_file, link_file):
        _add_enums(file, "enums", enums, wheres)
        _add_enums(file, "flag_sets", enums, wheres)
    block = _block(block_file.table("block"), enums)
    frame = _frame(block_file.table("frame"))
    header = _journal_header(block_file.table("journal_header"), enums, block.size)
    block_file.end("block, frame, journal_header, enums or errors")
    messages = _messages(message_file.table("messages"), Rules(enums, FIXED_BYTES_MAX, sensed=True), header)
    message_file.end("messages, enums or flag_sets")
    link = _link(link_file, enums, block.size)
    link_file.end("link, packets, enums or flag_sets")
    spec = Spec(block, frame, header, messages, link, boards, enums)
    _check_classes(spec, wheres, sources)
    lock = read_lock(folder, (texts or {}).get(LOCK_FILE))
    return Loaded(folder, mark_optional(replace(spec, layout_hash=layout_hash(spec)), lock), sources, lock)


def _check_classes(spec: Spec, wheres: dict[str, str], sources: dict[str, Source]) -> None:
    names = [(name, class_name(name), where) for name, where in wheres.items()]
    names += [(one.name, class_name(one.name), "block.toml") for one in (spec.block.header, spec.journal_header)]
    for one in spec.messages:
        names.append((one.name, class_name(one.name), sources["messages.toml"].where(("messages", one.name))))
    for one in spec.link.packets:
        where = sources["link.toml"].where(("packets", one.name))
        names.append((one.name, f"{class_name(one.name)}Packet", where))
    check_classes(names)


def _messages(group: Table, rules: Rules, header: Record) -> tuple[Record, ...]:
    records: list[Record] = []
    for name, table in group.named_tables():
        code, doc = _code_and_doc(table, name, "code", CODE_LAST, records)
        record = read_record(table, name, code, doc, rules)
        role = table.word("role", ROLES, "sensor")
        at_most_hz = _rate(table)
        interval = _interval(table, header)
        table.end("code, doc, fields, role, at_most_hz, interval")
        records.append(replace(record, role=role, at_most_hz=at_most_hz, interval=interval))
    if not records:
        raise SpecError("no message", where=group.where, expected="at least one")
    return tuple(records)


def _rate(table: Table) -> float:
    where = table.at("at_most_hz")
    number = table.number("at_most_hz", None)
    if number is not None and not 0 <= number <= _HZ_MAX:
        raise SpecError(f"{number} is out of range", where=where, expected=f"0 (now and then) to {_HZ_MAX}")
    return 1.0 if number is None else float(number)


def _interval(table: Table, header: Record) -> str:
    """The name of a field of the journal's header that is a number of milliseconds, or ""."""
    if not table.has("interval"):
        return ""
    where, name = table.at("interval"), table.text("interval")
    known = [f.name for f in header.fields if f.unit == "ms" and f.is_number]
    if name not in known:
        raise SpecError(f"no setting {name!r} in ms", where=where, expected=f"one of {', '.join(known)}")
    return name


def _packets(group: Table, rules: Rules) -> tuple[Record, ...]:
    records: list[Record] = []
    for name, table in group.named_tables():
        kind, doc = _code_and_doc(table, name, "kind", 255, records)
        records.append(read_record(table, name, kind, doc, rules))
        table.end("kind, doc, fields")
    return tuple(records)


def _code_and_doc(table: Table, name: str, key: str, code_max: int, others: list[Record]) -> tuple[int, str]:
    check_name(name, table.where)
    where, code = table.at(key), table.integer(key, 1, code_max)
    for other in others:
        if other.code == code:
            raise SpecError(f"{key} {code} is taken by {other.name}", where=where, expected=f"a {key} of its own")
    return code, read_doc(table)


def _block(table: Table, enums: dict[str, Enumeration]) -> Block:
    doc, size, version = read_doc(table), table.integer("size", 512, 512), table.integer("version", 1, 127)
    table.word("check", ("crc32",))
    check_doc = table.text("check_doc")
    where = table.at("header")
    header = read_record(table, "block_header", 0, doc, Rules(enums, 64, sensed=False), "header")
    table.end()
    names = [part.name for f in header.fields for part in f.parts] + [f.name for f in header.fields]
    for needed in ("magic", "used_bytes", "version", "journal_id", "block_number", "run_number", "open_tick"):
        if needed not in names:
            raise SpecError("missing field", where=where, expected=needed)
    if header.tail:
        raise SpecError("a header has no variable field", where=where, expected="a size for every field")
    return Block(doc, size, version, check_doc, header)


def _frame(table: Table) -> Frame:
    table.word("head", ("u16",))
    table.word("tick", ("leb128",))
    table.word("check", ("crc32",))
    length_bits, code_bits = table.integer("length_bits", 9, 9), table.integer("code_bits", 7, 7)
    frame = Frame(read_doc(table), length_bits, code_bits, table.text("tick_doc"), table.text("check_doc"))
    table.end()
    return frame


def _journal_header(table: Table, enums: dict[str, Enumeration], size: int) -> Record:
    doc = read_doc(table)
    table.word("check", ("crc32",))
    table.text("check_doc")
    where = table.at("fields")
    record = read_record(table, "journal_header", 0, doc, Rules(enums, size - 4, sensed=False))
    if record.tail:
        raise SpecError("a header has no variable field", where=where, expected="a size for every field")
    # The firmware's tables hold what stands before the label, and what stands after it.
    label = next((index for index, field in enumerate(record.fields) if field.type == "text"), len(record.fields))
    for fields in (record.fields[:label], record.fields[label + 1 :]):
        taken = sum(field.size or 0 for field in fields)
        if taken > FIXED_BYTES_MAX:
            expected = f"at most {FIXED_BYTES_MAX} bytes before the first text, and as many after it"
            raise SpecError(f"{taken} bytes are too many", where=where, expected=expected)
    table.end()
    return record


def _link(file: Table, enums: dict[str, Enumeration], block_size: int) -> Link:
    table = file.table("link")
    table.word("check", ("crc16",))
    link = Link(
        doc=read_doc(table),
        version=table.integer("version", 1, 255),
        check_doc=table.text("check_doc"),
        baud_fastest=table.integer("baud_fastest", 1200, 4_000_000),
        greet_wait_ms=table.integer("greet_wait_ms", 100, 10_000),
        baud_trial_ms=table.integer("baud_trial_ms", 100, 10_000),
        chunk_bytes_max=table.integer("chunk_bytes_max", 32, block_size),
        packets=_packets(file.table("packets"), Rules(enums, FIXED_BYTES_MAX, sensed=False)),
    )
    table.end()
    return link


def _add_enums(file: Table, key: str, enums: dict[str, Enumeration], wheres: dict[str, str]) -> None:
    for name, table in file.table(key, {}).named_tables():
        check_name(name, table.where)
        if name in enums:
            raise SpecError(f"enum {name!r} exists already", where=table.where, expected="a name of its own")
        wheres[name] = table.where
        doc = read_doc(table)
        number, limit = ("value", 255) if key == "enums" else ("bit", 31)
        enums[name] = _enumeration(table, name, doc, number, limit)


def _enumeration(table: Table, name: str, doc: str, key: str, limit: int) -> Enumeration:
    choices: list[Choice] = []
    for choice_name, entry in table.named_tables():
        check_name(choice_name, entry.where)
        where, value = entry.at(key), entry.integer(key, 0, limit)
        for other in choices:
            if other.value == value:
                what = f"{key} {value} is taken by {other.name}"
                raise SpecError(what, where=where, expected=f"a {key} of its own")
        choices.append(Choice(choice_name, value, read_doc(entry)))
        entry.end(f"{key}, doc")
    if not choices:
        raise SpecError("empty", where=table.where, expected="at least one choice")
    values = sorted(choice.value for choice in choices)
    if key == "value" and values != list(range(values[0], values[-1] + 1)):
        free = next(value for value in range(values[0], values[-1]) if value not in values)
        raise SpecError("values leave a hole", where=table.where, expected=f"{free} in use too")
    return Enumeration(name, doc, tuple(choices), is_flags=key == "bit")
