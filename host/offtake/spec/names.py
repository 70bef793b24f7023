"""Which names, units and words a definition may use, so that whatever is generated from it is sound."""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable

from offtake.errors import SpecError
from offtake.spec.table import Table

_NAME = re.compile(r"[a-z][a-z0-9_]*\Z")
NAME_LENGTH_MAX = 40
UNIT_BYTES_MAX = 16
_C_WORDS = frozenset(
    re.findall(
        r"\S+",
        "asm auto bool break case char complex const continue default do double else enum extern false float for goto"
        " if imaginary inline int long main register restrict return short signed sizeof static struct switch true"
        " typedef typeof union unsigned void volatile while",
    )
)
_C_MACROS = frozenset(("assert", "errno", "linux", "offsetof", "stderr", "stdin", "stdout", "unix"))
# What a generated record or its module has already, and the columns every export has: a field would hide them.
_RECORD_WORDS = frozenset(("builtins", "construct", "decode", "encode", "np", "tick", "values"))
_RESERVED = _C_WORDS | _C_MACROS | _RECORD_WORDS | frozenset(keyword.kwlist) | frozenset(keyword.softkwlist)
# Classes that the generated Python has beside those of records and enumerations, and words that no class may have.
_CLASSES_TAKEN = (
    *("Status", "Record", "FieldInfo", "IntEnum", "IntFlag", "Any", "ClassVar", "MESSAGES", "PACKETS"),
    *("None", "True", "False"),
)


def check_name(name: str, where: str) -> None:
    """SpecError where ``name`` is none for a message, a packet, an enumeration or a choice."""
    if not _NAME.match(name):
        raise SpecError(f"{name!r} is not a name", where=where, expected="small letters, digits and _, a letter first")
    if len(name) > NAME_LENGTH_MAX:
        raise SpecError(f"{name!r} is too long", where=where, expected=f"at most {NAME_LENGTH_MAX} characters")


def check_member(name: str, where: str) -> None:
    """SpecError where ``name`` is none for a field: besides :func:`check_name`, words of C and Python are taken."""
    check_name(name, where)
    if name in _RESERVED:
        raise SpecError(f"{name!r} is a word of the generated code", where=where, expected="another name")


def check_unit(unit: str, where: str) -> None:
    """SpecError where ``unit`` is too long for a description, or could not be shown in a column's head."""
    if len(unit.encode("utf-8", "replace")) > UNIT_BYTES_MAX:
        raise SpecError(f"{unit!r} is too long", where=where, expected=f"at most {UNIT_BYTES_MAX} bytes")
    if not unit.isprintable() or "*/" in unit or "/*" in unit:
        raise SpecError(f"{unit!r} is no unit", where=where, expected="characters that can be shown")


def read_doc(table: Table) -> str:
    """The words at ``doc``, which end up in comments of C and of Python. SpecError where they cannot."""
    where, doc = table.at("doc"), table.text("doc")
    if not doc:
        raise SpecError("no words", where=where, expected="what it means, in words")
    check_words(doc, where)
    return doc


def check_words(doc: str, where: str) -> None:
    """SpecError where ``doc`` would end a comment of C, or holds what no terminal shows."""
    if "*/" in doc or "/*" in doc or not doc.replace("\n", " ").isprintable():
        raise SpecError("words that cannot stand in a comment", where=where, expected="no /* or */, no control signs")


def class_name(name: str) -> str:
    """The name that generated Python gives to the class of ``name``."""
    return "".join(part.capitalize() for part in name.split("_"))


def check_classes(names: Iterable[tuple[str, str, str]]) -> None:
    """SpecError where two of ``names`` (name, its class, where it stands) get the same class in generated Python."""
    taken = {name: f"the generated code's {name}" for name in _CLASSES_TAKEN}
    for name, class_of_it, where in names:
        if class_of_it in taken:
            expected = f"a name that differs in more than underscores from {taken[class_of_it]}"
            raise SpecError(f"{name!r} would be the same class as {taken[class_of_it]}", where=where, expected=expected)
        taken[class_of_it] = name
