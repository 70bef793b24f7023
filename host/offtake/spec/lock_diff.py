"""What a release adds to the one before it, in words."""

from __future__ import annotations

from collections.abc import Iterator

from offtake.spec.lock_model import Lock, LockedRecord
from offtake.spec.lock_text import field_text


def additions(old: Lock | None, new: Lock) -> tuple[str, ...]:
    """One line for each thing that ``new`` has and ``old`` has not; none where they are the same."""
    return tuple(_lines(old, new))


def _lines(old: Lock | None, new: Lock) -> Iterator[str]:
    yield from _record("block header", new.block_header, old.block_header if old else None)
    yield from _record("journal header", new.journal_header, old.journal_header if old else None)
    for kind, records, before in (
        ("message", new.messages, old.messages if old else {}),
        ("packet", new.packets, old.packets if old else {}),
    ):
        for record in records.values():
            yield from _record(f"{kind} {record.name}", record, before.get(record.name))
    for enum in new.enums.values():
        released = old.enums.get(enum.name) if old else None
        kind, key = ("flag set", "bit") if enum.is_flags else ("enum", "value")
        if released is None:
            yield f"{kind} {enum.name}, {len(enum.choices)} choices"
            continue
        known = {choice.name for choice in released.choices}
        for choice in enum.choices:
            if choice.name not in known:
                yield f"{enum.name}.{choice.name}, {key} {choice.value}"


def _record(words: str, record: LockedRecord, old: LockedRecord | None) -> Iterator[str]:
    if old is None:
        code = f", code {record.code}" if record.code else ""
        count = len(record.fields)
        yield f"{words}{code}, {count} field{'' if count == 1 else 's'}"
        return
    known = {one.field.name: one.field for one in old.fields}
    for one in record.fields:
        released = known.get(one.field.name)
        if released is None:
            yield f"{words}: {one.field.name} {one.field.type}"
        elif field_text(released) != field_text(one.field):
            low, high = one.field.bounds
            yield f"{words}: {one.field.name} may be raw {low} to {high}"
