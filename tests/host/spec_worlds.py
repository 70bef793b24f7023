"""Definitions to change in tests: a copy of shared_spec with two messages more, all of it released, and its classes."""

from __future__ import annotations

import sys
from functools import cache
from itertools import count
from pathlib import Path
from types import ModuleType
from typing import Any

from kit_definitions import kit_copy
from offtake.codegen import python_records
from offtake.records import FieldInfo, Record
from offtake.spec.evolution import broken_rules
from offtake.spec.evolution_model import Finding
from offtake.spec.load import load_with_sources
from offtake.spec.lock import FILE, publish, render_lock
from offtake.spec.model import Spec

PROBE = """
[messages.probe]
code = 64
doc = "Every kind of field."
fields = [
    { name = "depth", type = "i16", unit = "cm", min = -100, max = 100, doc = "A number with limits." },
    { name = "moisture", type = "u16", unit = "%", scale = 0.01, max = 100, doc = "A scaled number." },
    { name = "heat", type = "i16", unit = "degC", fraction_bits = 8, doc = "A fixed-point number." },
    { name = "mood", type = "u8", enum = "mood", doc = "A choice." },
    { name = "marks", type = "u8", flags = "marks", doc = "Flags." },
    { name = "series", type = "u16", count = 3, doc = "An array." },
    { name = "serial", type = "bytes", size = 4, doc = "Bytes." },
    { name = "place", type = "text", size = 6, doc = "Text." },
]

[messages.note]
code = 65
doc = "Something of any length."
fields = [
    { name = "level", type = "u8", doc = "How grave." },
    { name = "words", type = "text", doc = "What happened." },
]

[enums.mood]
doc = "Moods."
calm = { value = 0, doc = "Calm." }
wild = { value = 1, doc = "Wild." }

[flag_sets.marks]
doc = "Marks."
first = { bit = 0, doc = "First." }
second = { bit = 1, doc = "Second." }
"""
_modules = count()


_locks: list[str] = []


def _released(folder: Path) -> str:
    """The lock of the definitions in ``folder``, without one so far; it is the same for every copy."""
    if not _locks:
        _locks.append(render_lock(publish(load_with_sources(folder).spec, None)))
    return _locks[0]


def released_copy(folder: Path) -> Path:
    """The kit's definitions in ``folder`` with :data:`PROBE` in them, everything released as release 1."""
    copy = kit_copy(folder)
    path = copy / "messages.toml"
    path.write_text(path.read_text(encoding="utf-8") + PROBE, encoding="utf-8")
    (copy / FILE).unlink(missing_ok=True)
    (copy / FILE).write_text(_released(copy), encoding="utf-8")
    return copy


def edit(folder: Path, file: str, old: str, new: str) -> None:
    """Puts ``new`` in the place of the only ``old`` in ``file``."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{text.count(old)} times {old!r}"
    path.write_text(text.replace(old, new), encoding="utf-8")


def findings(folder: Path) -> tuple[Finding, ...]:
    """Rules of evolution that the definitions in ``folder`` break."""
    loaded = load_with_sources(folder)
    return broken_rules(loaded.spec, loaded.lock, loaded.sources)


def classes(spec: Spec) -> ModuleType:
    """The Python that is generated from ``spec``, as a module of its own."""
    return _module(python_records.render(spec, "For a test."))


@cache
def _module(text: str) -> ModuleType:
    module = ModuleType(f"generated_for_a_test_{next(_modules)}")
    # Dataclasses look up their module by name.
    sys.modules[module.__name__] = module
    exec(compile(text, module.__name__, "exec"), module.__dict__)
    return module


def records(module: ModuleType) -> dict[str, type[Record]]:
    """Record classes of messages, by name, and of the journal's header."""
    found: dict[str, type[Record]] = {one.NAME: one for one in module.MESSAGES.values()}
    return {**found, "journal_header": module.JournalHeader}


def sample(record: type[Record], like: Record | None = None) -> Record:
    """A record of every field's lowest allowed value, or of its first choice, and of bytes that are not zero; what
    ``like`` has too is as there."""
    values = {info.name: _value(info) for info in record.FIELDS}
    return record(**{**values, **{info.name: getattr(like, info.name) for info in (like.FIELDS if like else ())}})


def _value(info: FieldInfo) -> Any:
    if info.kind == "text":
        return "a"
    if info.kind == "bytes":
        return b"\x01" * (info.size or 3)
    number = next(iter(info.choices)) if info.choices else info.low
    return (info.low,) * info.count if info.count else number


def read_both_ways(old: ModuleType, new: ModuleType) -> None:
    """Frames of each by the classes of the other: what both know is the same, what only the new one knows is absent."""
    ok = old.Status.OK.name
    for name, old_class in records(old).items():
        new_class = records(new)[name]
        known = {info.name for info in old_class.FIELDS}
        before = sample(old_class)
        after = sample(new_class, before)
        status, read = new_class.decode(before.encode())
        assert (status.name, read is None) == (ok, False), name
        assert read is not None
        assert {key: value for key, value in read.values().items() if key in known} == before.values()
        fresh = {info.name for info in new_class.FIELDS} - known
        absent = {key for key in fresh if not getattr(read, key)}
        assert absent == fresh
        status, read = old_class.decode(after.encode())
        assert (status.name, read is None) == (ok, False), name
        assert read is not None
        assert read.values() == {key: value for key, value in after.values().items() if key in known}
