"""The generated Kaitai Struct description, compiled, and journals read with it in JavaScript and in Python.

Both readers give the same plain values, so that they can be held against each other and against this package's own.
"""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from offtake.codegen.kaitai_description import is_description
from offtake.spec.model import WIRE_SIZES, Field, Record, Spec

Plain = dict[str, Any]
Wanted = list[tuple[Path, list[int]]]
"""Journals, and for each the positions of the blocks to read."""

HERE = Path(__file__).resolve().parent
PACKAGES = HERE.parents[1] / ".build" / "node" / "node_modules"
RUN_HERE = ("javascript", "python")
ONLY_COMPILED = ("cpp_stl", "csharp", "go", "java", "lua", "nim", "perl", "php", "ruby", "rust")


def require_packages() -> None:
    """Fails the test where Node or one of the pinned packages is missing."""
    if shutil.which("node") is None:
        pytest.fail("node is not installed; `host/setup tests` installs the Debian packages nodejs and npm")
    for name, version in json.loads((HERE / "package.json").read_text())["dependencies"].items():
        about = PACKAGES / name / "package.json"
        found = json.loads(about.read_text())["version"] if about.is_file() else "nothing"
        if found != version:
            how = "`host/setup tests` installs it in .build/node"
            pytest.fail(f"npm package {name}: {found} instead of {version}; {how}")


def run_node(script: str, *arguments: str, text: str = "") -> str:
    """What a script of this folder prints. Fails the test when it complains, be it only on standard error."""
    require_packages()
    done = subprocess.run(
        ["node", str(HERE / script), *arguments],
        input=text,
        capture_output=True,
        text=True,
        timeout=60,
        env=os.environ | {"NODE_PATH": str(PACKAGES)},
    )
    if done.returncode or done.stderr:
        pytest.fail(f"{script}: {done.stderr[-2000:]}")
    return done.stdout


def compile_description(ksy: Path, folder: Path, languages: tuple[str, ...] = RUN_HERE) -> None:
    """``OfftakeJournal.js``, ``offtake_journal.py`` and the like in ``folder``; a warning fails the test."""
    assert run_node("kaitai_compile.js", str(ksy), str(folder), *languages) == ""


def read_in_javascript(folder: Path, spec: Spec, wanted: Wanted) -> list[Plain]:
    """Each journal as the compiled JavaScript reads it."""
    asked = {
        "compiled": str(folder / "OfftakeJournal.js"),
        "journals": [{"file": str(path), "blocks": positions} for path, positions in wanted],
        **_questions(spec),
    }
    content: list[Plain] = json.loads(run_node("kaitai_read.js", text=json.dumps(asked)), parse_int=_number)
    return content


def _number(digits: str) -> int | float:
    """JavaScript writes whole numbers alike, be they integers or, above 2^53, rounded ones."""
    return int(digits) if abs(int(digits)) < 2**53 else float(digits)


def read_in_python(folder: Path, spec: Spec, wanted: Wanted) -> list[Plain]:
    """Each journal as the compiled Python reads it, in the same form."""
    reader = _Reader(_compiled_module(folder), _questions(spec))
    return [reader.journal(path, positions) for path, positions in wanted]


def _compiled_module(folder: Path) -> ModuleType:
    found = importlib.util.spec_from_file_location("offtake_journal", folder / "offtake_journal.py")
    assert found is not None
    assert found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


def _questions(spec: Spec) -> Plain:
    described = [record.code for record in spec.messages if is_description(record)]
    messages = [record for record in spec.messages if record.code not in described]
    return {
        "header": _fields(spec.journal_header, spec),
        "messages": {str(record.code): _fields(record, spec) for record in messages},
        "description": described[0] if described else None,
    }


def _fields(record: Record, spec: Spec) -> list[list[Any]]:
    return [[f.name, *_how(f, spec)] for f in record.fields if f.const is None]


def _how(f: Field, spec: Spec) -> tuple[str, Any]:
    """How a reader gets at the field's value, and the names of choices: by value, or of all bits in order."""
    named = {choice.value: choice.name for choice in spec.enums[f.enum or f.flags].choices} if f.enum or f.flags else {}
    if f.enum:
        return "enum", {str(value): name for value, name in named.items()}
    if f.flags:
        return "flags", [named.get(bit, f"bit_{bit}") for bit in range(8 * WIRE_SIZES[f.type])]
    return ("elements" if f.scale and f.count is not None else "plain"), None


class _Reader:
    """The same as kaitai_read.js."""

    def __init__(self, module: ModuleType, asked: Plain) -> None:
        self._journal = module.OfftakeJournal
        self._asked = asked

    def journal(self, path: Path, positions: list[int]) -> Plain:
        journal = self._journal.from_file(str(path))
        try:
            settings = getattr(journal.header, "settings", None)
            return {
                "header": settings and self._values(settings, self._asked["header"]),
                "kinds": [block.is_block for block in journal.blocks],
                "torn_end": len(journal.torn_end),
                "blocks": [self._block(journal.blocks[position - 1]) for position in positions],
            }
        finally:
            journal.close()

    def _block(self, block: Any) -> Plain:
        return {
            "block_number": block.block_number,
            "journal_id": block.journal_id,
            "run": block.run_number,
            "check": block.check,
            "checked": block.checked.hex(),
            "frames": [self._frame(frame) for frame in block.frames.entries],
        }

    def _frame(self, frame: Any) -> Plain:
        code = int(frame.code)
        made: Plain = {"code": code, "tick": frame.tick, "payload": frame.payload.bytes.hex()}
        fields = self._asked["messages"].get(str(code))
        if fields is not None:
            made["values"] = self._values(frame.message, fields)
        elif code == self._asked["description"]:
            made["described"] = _described(frame.message)
        else:
            made["unknown"] = frame.message.hex()
        return made

    def _values(self, record: Any, fields: list[list[Any]]) -> Plain:
        values = {name: _value(getattr(record, name, None), how, choices) for name, how, choices in fields}
        return {name: value for name, value in values.items() if value is not None}


def _value(value: Any, how: str, choices: Any) -> Any:
    if value is None:
        return None
    if how == "enum":
        return choices.get(str(int(value)), int(value))
    if how == "flags":
        return [choice for choice in choices if getattr(value, choice)]
    if how == "elements":
        return [one.value for one in value]
    return value.hex() if isinstance(value, bytes) else value


def _described(message: Any) -> Plain:
    fields = [_described_field(one) for one in message.fields]
    return {"code": message.code, "name": message.name.text, "fields": fields}


def _described_field(field: Any) -> Plain:
    choices, unit = getattr(field, "choices", None), getattr(field, "unit", None)
    made: Plain = {
        "name": field.name.text,
        "kind": field.kind.name,
        "count": getattr(field, "count", None),
        "fraction_bits": field.fraction_bits,
        "mantissa": getattr(field, "mantissa", None),
        "exponent": field.exponent,
        "unit": unit and unit.text,
        "is_flags": choices and choices.is_flags,
        "choices": choices and [[one.value, one.name.text] for one in choices.entries],
    }
    return {key: value for key, value in made.items() if value is not None}
