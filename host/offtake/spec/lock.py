"""``shared_spec/published.lock``: what has been released and may not change, one fact a line.

Only :func:`publish` makes its content, out of a definition; :mod:`offtake.spec.evolution` holds definitions against it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import TypeVar

from offtake.errors import SpecError
from offtake.spec.lock_model import Lock, LockedChoice, LockedEnum, LockedField, LockedRecord, Release
from offtake.spec.lock_text import parse_content, render_content
from offtake.spec.model import Enumeration, Field, Record, Spec
from offtake.spec.table import Source, parse_table, read_source

FILE = "published.lock"
_HEAD = """\
# What has been released and may not change: codes, names and layouts. Words may. Written by `offtake spec publish` and
# never by hand; `offtake spec check` holds the definitions against it. Limits are those of the raw numbers.

"""
_CHECK = re.compile(r'^check = "([0-9a-f]{16})"\n\n', re.MULTILINE)
_Kept = TypeVar("_Kept", LockedRecord, LockedEnum)


def read_lock(folder: Path, text: str | None = None) -> Lock | None:
    """What ``published.lock`` in ``folder``, or else ``text``, says; None where there is neither.

    SpecError for a file that is not as :func:`render_lock` wrote it.
    """
    if text is None and not (folder / FILE).exists():
        return None
    source = read_source(folder / FILE, FILE) if text is None else Source(FILE, text)
    check = _CHECK.search(source.text)
    if check is None or _digest(source.text[check.end() :]) != check[1]:
        line = source.text.count("\n", 0, check.start()) + 1 if check else 1
        raise SpecError(
            "changed by hand, or merged" if check else "no line with its check",
            where=f"{FILE} line {line}",
            expected="the file as `offtake spec publish` wrote it; take it back from version control and publish again",
        )
    return replace(parse_content(parse_table(source, Decimal)), source=source)


def render_lock(lock: Lock) -> str:
    """The file's text; the same lock gives the same text."""
    content = render_content(lock)
    return f'{_HEAD}check = "{_digest(content)}"\n\n{content}'


def publish(spec: Spec, lock: Lock | None) -> Lock:
    """``lock`` with what ``spec`` adds as a new release; ``lock`` itself where the layout hash is the last release's.

    ``spec`` must keep the rules of :mod:`offtake.spec.evolution`.
    """
    if lock is not None and lock.latest.layout_hash == spec.layout_hash:
        return lock
    number = lock.latest.number + 1 if lock else 1
    return Lock(
        releases=(*(lock.releases if lock else ()), Release(number, spec.layout_hash)),
        block_version=spec.block.version,
        block_header=_record(spec.block.header, lock.block_header if lock else None, number),
        journal_header=_record(spec.journal_header, lock.journal_header if lock else None, number),
        messages=_with_roles(spec, _records(spec.messages, lock.messages if lock else {}, number)),
        packets=_records(spec.link.packets, lock.packets if lock else {}, number),
        enums=_kept(
            lock.enums if lock else {},
            {one.name: _enum(one, lock.enums.get(one.name) if lock else None, number) for one in spec.enums.values()},
        ),
    )


def mark_optional(spec: Spec, lock: Lock | None) -> Spec:
    """``spec`` with ``Field.optional`` set for all that was appended to a record after its first release."""
    if lock is None:
        return spec
    messages = tuple(_marked(one, lock.messages.get(one.name)) for one in spec.messages)
    return replace(spec, messages=messages, journal_header=_marked(spec.journal_header, lock.journal_header))


def _digest(content: str) -> str:
    return hashlib.sha256(content.encode()).hexdigest()[:16]


def _marked(record: Record, released: LockedRecord | None) -> Record:
    # By place and not by name: whatever is wrong with the names, optional fields are the last ones.
    first = released.first_fields if released else len(record.fields)
    fields = tuple(replace(field, optional=place >= first) for place, field in enumerate(record.fields))
    return replace(record, fields=fields)


def _kept(old: Mapping[str, _Kept], new: Mapping[str, _Kept]) -> dict[str, _Kept]:
    """``new`` with what was released first in its old order, so that a difference shows what came and nothing else."""
    return {name: new[name] for name in (*(name for name in old if name in new), *new)}


def _records(records: Iterable[Record], old: Mapping[str, LockedRecord], number: int) -> dict[str, LockedRecord]:
    return _kept(old, {record.name: _record(record, old.get(record.name), number) for record in records})


def _with_roles(spec: Spec, messages: dict[str, LockedRecord]) -> dict[str, LockedRecord]:
    roles = {record.name: record.role for record in spec.messages}
    return {name: replace(one, role=roles[name]) for name, one in messages.items()}


def _record(record: Record, old: LockedRecord | None, number: int) -> LockedRecord:
    since = {one.field.name: one.since for one in old.fields} if old else {}
    fields = tuple(LockedField(_wordless(field), since.get(field.name, number)) for field in record.fields)
    return LockedRecord(record.name, record.code, old.since if old else number, fields)


def _enum(enum: Enumeration, old: LockedEnum | None, number: int) -> LockedEnum:
    since = {one.name: one.since for one in old.choices} if old else {}
    choices = tuple(LockedChoice(one.name, one.value, since.get(one.name, number)) for one in enum.choices)
    return LockedEnum(enum.name, enum.is_flags, old.since if old else number, choices)


def _wordless(field: Field) -> Field:
    parts = tuple(replace(part, doc="") for part in field.parts)
    return replace(field, doc="", optional=False, parts=parts)
