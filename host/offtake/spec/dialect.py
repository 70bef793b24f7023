"""Strict loader of dialect definitions (``shared_spec/dialects/*.toml``) to decoder tables.

Anything that is not understood is an error: unknown keys, unknown kinds, fields over one another, names
without their unit. Every error is a :class:`~offtake.errors.SpecError` with file, line and key path.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, cast

from offtake.dialects.tables import (
    FIELD_KINDS,
    Address,
    AnyDialect,
    Dialect,
    Field,
    FieldKind,
    Framing,
    LetterSet,
    Sentence,
)
from offtake.errors import InputOutputError, SpecError
from offtake.spec.dialect_binary import parse_binary
from offtake.spec.dialect_table import DialectTable
from offtake.spec.dialect_units import UNIT_ENDINGS
from offtake.spec.table import Source, parse_toml, read_source

_KIND_UNITS = {"time_of_day": "us", "latitude": "deg", "longitude": "deg"}
# Keys a field may have beyond those every field has.
_KIND_KEYS: dict[str, tuple[str, ...]] = {
    "number": ("unit", "unit_letter", "min", "max"),
    "signed_number": ("unit", "positive", "negative", "min", "max"),
    "integer": ("unit", "base", "min", "max"),
    "letter": ("letters",),
    "letters": ("letters",),
    "list": ("count", "base", "min", "max"),
    "groups": ("count", "fields"),
}
_COLUMNS_MAX = 100
_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]*")


def load_dialect(path: Path) -> AnyDialect:
    """Read one dialect file.

    Raises :class:`~offtake.errors.InputOutputError` when it cannot be read and
    :class:`~offtake.errors.SpecError` when it is wrong.
    """
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    except UnicodeDecodeError as error:
        raise SpecError(f"byte {error.start} is not UTF-8", where=str(path), expected="UTF-8 text") from error
    return parse_dialect(text, str(path))


def load_dialects(directory: Path) -> tuple[AnyDialect, ...]:
    """Read every ``*.toml`` of ``directory`` in name order; two files may not name the same dialect."""
    dialects: dict[str, AnyDialect] = {}
    paths = sorted(directory.glob("*.toml"))
    if not paths:
        raise SpecError("no dialect", where=str(directory), expected="at least one *.toml file")
    for path in paths:
        dialect = load_dialect(path)
        if dialect.name in dialects:
            where = read_source(path, str(path)).where(("dialect", "name"))
            raise SpecError(f"{dialect.name!r} is taken", where=where, expected="a name no other file has")
        dialects[dialect.name] = dialect
    return tuple(dialects.values())


def parse_dialect(text: str, where: str) -> AnyDialect:
    """Return the dialect that TOML ``text`` declares; ``where`` names its file in errors."""
    source = Source(where, text)
    root = DialectTable(parse_toml(source), source)
    head = root.table("dialect")
    if head.one_of("family", ("sentence", "binary")) == "binary":
        return parse_binary(root, head)
    framing = _read_framing(root.table("framing"))
    address = _read_address(root.table("address"))
    letters = tuple(_read_letters(name, one) for name, one in root.tables("letters")) if root.has("letters") else ()
    known = {one.name: one for one in letters}
    sentences = tuple(_read_sentence(name, table, known, address) for name, table in root.tables("sentences"))
    if not sentences:
        raise root.error("sentences", "no sentence", "at least one")
    dialect = Dialect(
        name=head.identifier("name"),
        title=head.text("title"),
        family="sentence",
        doc=head.text("doc"),
        framing=framing,
        address=address,
        letters=letters,
        sentences=sentences,
    )
    head.done()
    root.done()
    return dialect


def _read_framing(table: DialectTable) -> Framing:
    starts = table.characters("starts", 1, 4)
    separator = table.characters("separator", 1, 1)
    mark = table.characters("check_mark", 1, 1)
    if len(set(starts + separator + mark)) != len(starts) + 2:
        expected = "start, separator and check mark all different"
        raise table.error("starts", "a character has two meanings", expected)
    framing = Framing(
        starts=starts,
        separator=separator,
        check=cast(Any, table.one_of("check", ("xor8",))),
        check_mark=mark,
        line_end=table.one_of("line_end", ("\r\n", "\n", "\r")),
        max_length=table.integer("max_length", 16, 65535),
    )
    table.done()
    return framing


def _read_address(table: DialectTable) -> Address:
    address = Address(
        talker_letters=table.integer("talker_letters", 1, 4),
        name_letters=table.integer("name_letters", 1, 8),
        proprietary=table.characters("proprietary", 1, 1),
    )
    table.done()
    return address


def _read_letters(name: str, table: DialectTable) -> LetterSet:
    if not _IDENTIFIER.fullmatch(name):
        raise table.error("", f"{name!r} is no name", "small letters, digits and underscores")
    codes = table.table("codes")
    pairs = tuple((code, codes.word(code)) for code in codes.names())
    codes.done()
    if not pairs:
        raise table.error("codes", "no code", "at least one")
    for code, _ in pairs:
        if len(code) != 1 or not code.isascii():
            raise table.error(f"codes.{code}", f"{code!r} is not one character", "a single ASCII character")
    names = [meaning for _, meaning in pairs]
    if len(set(names)) != len(names):
        raise table.error("codes", "two codes have the same name", "a name of its own for each code")
    other = table.word("other") if table.has("other") else None
    letters = LetterSet(name, table.text("doc"), pairs, other)
    table.done()
    return letters


def _read_sentence(name: str, table: DialectTable, letters: dict[str, LetterSet], address: Address) -> Sentence:
    proprietary = name.startswith(address.proprietary) and len(name) > address.name_letters
    upper = name.isascii() and name.isalnum() and name == name.upper()
    if not upper or not (proprietary or len(name) == address.name_letters):
        length = address.name_letters
        expected = f"{length} capital letters or digits, or {address.proprietary} and at least {length}"
        raise table.error("", f"{name!r} is no sentence name", expected)
    fields = _read_fields(table, letters, inside_group=False)
    sentence = Sentence(name, table.text("doc"), fields)
    table.done()
    _check_tail(sentence, table)
    return sentence


def _check_tail(sentence: Sentence, table: DialectTable) -> None:
    """Optional fields stand last, and what follows groups is too short to be mistaken for one more group."""
    optional_at: int | None = None
    for index, field in enumerate(sentence.fields):
        if optional_at is not None and not field.optional:
            what = f"{field.name!r} follows an optional field"
            raise table.error(f"fields[{index}].optional", what, "true")
        optional_at = index if field.optional else None
    groups = [field for field in sentence.fields if field.kind == "groups"]
    if len(groups) > 1:
        raise table.error("fields", "two fields of kind groups", "at most one")
    for field in groups:
        tail = sentence.columns_full - field.end
        if tail >= field.group_columns:
            expected = f"fewer than {field.group_columns}"
            raise table.error("fields", f"{tail} columns follow {field.name!r}", expected)


def _read_fields(table: DialectTable, letters: dict[str, LetterSet], *, inside_group: bool) -> tuple[Field, ...]:
    fields: list[Field] = []
    names: set[str] = set()
    for part in table.list_of_tables("fields"):
        field = _read_field(part, letters, inside_group)
        if field.name in names:
            raise part.error("name", f"{field.name!r} is taken", "a name of its own for each field")
        names.add(field.name)
        expected_at = fields[-1].end + 1 if fields else 1
        if field.at < expected_at:
            where = fields[-1].name if fields else "the address"
            raise part.error("at", f"column {field.at} belongs to {where!r}", f"{expected_at} or more")
        if field.end > _COLUMNS_MAX:
            raise part.error("at", f"reaches column {field.end}", f"at most {_COLUMNS_MAX}")
        fields.append(field)
    if not fields:
        raise table.error("fields", "no field", "at least one")
    return tuple(fields)


def _read_field(part: DialectTable, letters: dict[str, LetterSet], inside_group: bool) -> Field:
    name = part.identifier("name")
    kind = part.one_of("kind", FIELD_KINDS)
    if inside_group and kind == "groups":
        raise part.error("kind", "groups inside groups", "a plain kind")
    allowed = _KIND_KEYS.get(kind, ())
    for key in part.names():
        if key not in ("at", "name", "kind", "doc", "optional", *allowed):
            expected = ", ".join(("at", "name", "kind", "doc", "optional", *allowed))
            raise part.error(key, f"unknown key for kind {kind!r}", f"one of {expected}")
    unit = part.one_of("unit", tuple(UNIT_ENDINGS)) if part.has("unit") else _KIND_UNITS.get(kind, "")
    if unit and not name.endswith(UNIT_ENDINGS[unit]):
        raise part.error("name", f"{name!r} hides its unit", f"a name ending in {UNIT_ENDINGS[unit]!r}")
    minimum, maximum = part.range()
    letters_name = ""
    if kind in ("letter", "letters"):
        letters_name = part.one_of("letters", tuple(letters))
    inner: tuple[Field, ...] = ()
    if kind == "groups":
        inner = _read_fields(part, letters, inside_group=True)
    field = Field(
        name=name,
        kind=cast(FieldKind, kind),
        at=part.integer("at", 1, _COLUMNS_MAX),
        doc=part.text("doc"),
        unit=unit,
        optional=part.boolean("optional") if part.has("optional") else False,
        minimum=minimum,
        maximum=maximum,
        base=_read_base(part),
        unit_letter=part.characters("unit_letter", 1, 1) if part.has("unit_letter") else "",
        positive=part.characters("positive", 1, 1) if kind == "signed_number" else "",
        negative=part.characters("negative", 1, 1) if kind == "signed_number" else "",
        letters=letters_name,
        count=part.integer("count", 1, _COLUMNS_MAX) if kind in ("list", "groups") else 1,
        fields=inner,
    )
    part.done()
    return field


def _read_base(part: DialectTable) -> int:
    if not part.has("base"):
        return 10
    base = part.integer("base", 2, 36)
    if base not in (10, 16):
        raise part.error("base", f"{base} is not read", "10 or 16")
    return base
