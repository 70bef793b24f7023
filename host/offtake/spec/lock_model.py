"""What :mod:`offtake.spec.lock` holds: released records, fields and choices, each with its first release."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.spec.model import Field
from offtake.spec.table import Source


@dataclass(frozen=True)
class Release:
    """One release of the definitions, counted from 1, and its layout hash."""

    number: int
    layout_hash: int


@dataclass(frozen=True)
class LockedField:
    """A released field (its words left out) and the release it came with."""

    field: Field
    since: int


@dataclass(frozen=True)
class LockedRecord:
    """A released message, packet or header. ``code`` is its code or kind, 0 of a header; ``role`` that of a message, ""
    where the file does not tell, as it did not at first."""

    name: str
    code: int
    since: int
    fields: tuple[LockedField, ...]
    role: str = ""

    @property
    def first_fields(self) -> int:
        """How many fields it had in its first release."""
        return sum(one.since == self.since for one in self.fields)

    @property
    def has_tail(self) -> bool:
        """Whether its last field is of variable size."""
        return bool(self.fields) and self.fields[-1].field.size is None


@dataclass(frozen=True)
class LockedChoice:
    """A released name of a value, or of a bit."""

    name: str
    value: int
    since: int


@dataclass(frozen=True)
class LockedEnum:
    """A released enumeration or flag set."""

    name: str
    is_flags: bool
    since: int
    choices: tuple[LockedChoice, ...]


@dataclass(frozen=True)
class Lock:
    """Everything released. ``source`` is the text it was read from, None for one that is only about to be written."""

    releases: tuple[Release, ...]
    block_version: int
    block_header: LockedRecord
    journal_header: LockedRecord
    messages: dict[str, LockedRecord]
    packets: dict[str, LockedRecord]
    enums: dict[str, LockedEnum]
    source: Source | None = None

    @property
    def latest(self) -> Release:
        """The last release."""
        return self.releases[-1]
