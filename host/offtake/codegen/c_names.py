"""Names in the generated C: none may stand for two things, or for one that the firmware has itself."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from offtake.codegen.c_records import c_records
from offtake.codegen.c_spec import constants
from offtake.errors import InputOutputError, SpecError
from offtake.spec.model import Spec

_OWN = re.compile(
    r"^#define\s+(OT_\w+)"  # a macro
    r"|^\}\s*(ot_\w+);"  # a type
    r"|\b(ot_\w+)\("  # a function
    r"|\b(ot_\w+)(?:\[[^\]]*\])*;"  # a variable
    r"|^\s+(OT_\w+)\s*[,=]",  # a value of an enumeration
    re.MULTILINE,
)
_COMMENT = re.compile(r"/\*.*?\*/", re.DOTALL)
_TABLES = ("ot_descriptions", "ot_message_layouts", "ot_crc32_planes", "ot_sensor_log", "ot_sensor_log_tail")
_HEADERS = ("firmware/core", "firmware/port/avr")


def check_names(spec: Spec, root: Path) -> None:
    """SpecError where a name of the spec gives an identifier of C that is taken, by another or by the firmware below
    the checkout ``root`` (whose headers need not be there)."""
    taken = {name: f"the firmware's {name}" for name in firmware_names(root)}
    for identifier, where in _identifiers(spec):
        if taken.get(identifier, where) != where:
            raise SpecError(f"{identifier} in C is also {taken[identifier]}", where=where, expected="another name")
        taken[identifier] = where


def firmware_names(root: Path) -> set[str]:
    """Types, functions, variables, macros and enumeration values that the headers of the firmware define by hand."""
    names: set[str] = set()
    for folder in _HEADERS:
        for path in sorted((root / folder).glob("*.h")):
            try:
                text = _COMMENT.sub("", path.read_text(encoding="utf-8"))
            except (OSError, UnicodeDecodeError) as error:
                raise InputOutputError(f"cannot read: {error}", where=str(path)) from error
            names |= {name for found in _OWN.findall(text) for name in found if name}
    return names


def _identifiers(spec: Spec) -> Iterator[tuple[str, str]]:
    """(identifier, key path of what it comes from in the spec)."""
    for line in constants(spec):
        if line:
            yield line.split()[1], "the spec's numbers"
    yield from ((name, "the generated tables") for name in _TABLES)
    for board in spec.boards:
        yield "ot_light", "board.lights"
        for light in board.lights:
            yield f"OT_LIGHT_{light.name.upper()}", f"board.lights.{light.name}"
    for name, record in c_records(spec):
        where = f"{'packets' if name.startswith('packet_') else 'messages'}.{record.name}"
        if name.startswith("head_"):
            where = "journal_header"
        yield from ((f"{stem}", where) for stem in (f"ot_{name}", f"ot_{name}_layout", f"ot_{name}_fields"))
        yield f"OT_{name.upper()}_SIZE", where
        yield f"OT_{name.upper()}{'_AT' if name.startswith('head_') else ''}", where
        if name.startswith("message_") and record.role == "sensor":
            yield f"ot_log_{record.name}", where
    for enum in spec.enums.values():
        group = "flag_sets" if enum.is_flags else "enums"
        yield f"ot_{enum.name}", f"{group}.{enum.name}"
        for choice in enum.choices:
            stem = "OT" if enum.name == "errors" else f"OT_{enum.name.upper()}"
            yield f"{stem}_{choice.name.upper()}", f"{group}.{enum.name}.{choice.name}"
