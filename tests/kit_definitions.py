"""The kit's own definitions, without what somebody added from code 64 on: what tests copy and change."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

from offtake.spec.layout_hash import layout_hash
from offtake.spec.lines import key_lines
from offtake.spec.load import load_spec
from offtake.spec.lock import FILE, read_lock, render_lock
from offtake.spec.lock_model import Lock
from offtake.spec.model import OWN_CODE_FIRST, Record, Spec

ROOT = Path(__file__).resolve().parents[1] / "shared_spec"
_MESSAGES = "messages.toml"


def kit_copy(folder: Path) -> Path:
    """A copy of shared_spec in ``folder`` as the kit has it: its messages and its releases."""
    copy = Path(shutil.copytree(ROOT, folder / "shared_spec"))
    spec, lock = load_spec(ROOT), read_lock(ROOT)
    added = [one for one in spec.messages if one.code >= OWN_CODE_FIRST]
    if added:
        path = copy / _MESSAGES
        path.write_text(_without(path.read_text(encoding="utf-8"), added, spec), encoding="utf-8")
    if lock is not None and kit_lock(lock) != lock:
        (copy / FILE).write_text(render_lock(kit_lock(lock)), encoding="utf-8")
    return copy


def has_own_messages() -> bool:
    """Whether somebody has added messages to this checkout."""
    return any(one.code >= OWN_CODE_FIRST for one in load_spec(ROOT).messages)


def kit_spec() -> Spec:
    """The definitions of this checkout without messages from code 64 on and the choices that only they have."""
    spec = load_spec(ROOT)
    added = [one for one in spec.messages if one.code >= OWN_CODE_FIRST]
    own = _choices_of(added, spec)
    kit = replace(
        spec,
        messages=tuple(one for one in spec.messages if one not in added),
        enums={name: enum for name, enum in spec.enums.items() if name not in own},
    )
    return replace(kit, layout_hash=layout_hash(kit))


def kit_lock(lock: Lock) -> Lock:
    """``lock`` without messages from code 64 on, the choices that only they have, and releases that added no more."""
    messages = {name: one for name, one in lock.messages.items() if one.code < OWN_CODE_FIRST}
    kept = (lock.block_header, lock.journal_header, *lock.packets.values(), *messages.values())
    used = {one.field.enum or one.field.flags for record in kept for one in record.fields}
    added = {
        one.field.enum or one.field.flags
        for name, record in lock.messages.items()
        if name not in messages
        for one in record.fields
    } - used
    enums = {name: one for name, one in lock.enums.items() if name not in added}
    numbers = {one.since for record in kept for one in record.fields} | {record.since for record in kept}
    numbers |= {choice.since for enum in enums.values() for choice in enum.choices}
    releases = tuple(one for one in lock.releases if one.number in numbers)
    return replace(lock, releases=releases, messages=messages, enums=enums)


def _choices_of(added: list[Record], spec: Spec) -> set[str]:
    """Names of the enumerations and flag sets that only the ``added`` messages have."""
    kept = [one for one in spec.messages if one not in added]
    kept += [spec.block.header, spec.journal_header, *spec.link.packets]
    mine, kits = ({f.enum or f.flags for one in records for f in one.fields} for records in (added, kept))
    return mine - kits


def _without(text: str, added: list[Record], spec: Spec) -> str:
    """The text of messages.toml without those messages and the choices that only they have."""
    lines = text.splitlines(keepends=True)
    own = {("messages", one.name) for one in added}
    own |= {(group, name) for group in ("enums", "flag_sets") for name in _choices_of(added, spec)}
    headers = key_lines(text).headers
    ends = [line - 1 for _, line in headers[1:]] + [len(lines)]
    for (path, line), end in reversed(list(zip(headers, ends, strict=True))):
        if path[:2] in own:
            del lines[line - 1 : end]
    return "".join(lines)
