"""What the rules of :mod:`offtake.spec.evolution` work on, and what they give."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from offtake.errors import SpecError
from offtake.spec.lock_model import Lock, LockedRecord
from offtake.spec.model import OWN_CODE_FIRST, Field, Record, Spec
from offtake.spec.places import LockPlaces, Places
from offtake.spec.table import Source

Found = Iterator[tuple[str, str] | tuple[str, str, str]]
"""Pairs of a place and what is wrong there, with an advice of its own where the rule's cannot be followed."""
BESIDE = "leave the old one as it is, and write a new one beside it with a code that was never used"
"""The advice for a record that cannot grow."""

FITS = "fits"
"""Name of the rule that what is written has room; its advice is what was expected."""


@dataclass(frozen=True)
class Finding:
    """A rule that is broken: its name, where, what was done, and how to evolve instead."""

    rule: str
    where: str
    what: str
    advice: str

    @property
    def way_out(self) -> str:
        """The advice with the word that leads to it."""
        return f"{'expected' if self.rule == FITS else 'instead'}: {self.advice}"

    def error(self) -> SpecError:
        """It as an error."""
        if self.rule == FITS:
            return SpecError(self.what, where=self.where, expected=self.advice)
        return SpecError(f"{self.what}; {self.way_out}", where=self.where)


class History:
    """A definition beside what was released of it."""

    def __init__(self, spec: Spec, lock: Lock, sources: Mapping[str, Source]) -> None:
        self.spec = spec
        self.lock = lock
        self.places = Places(spec, sources)
        self.released = LockPlaces(lock)

    def groups(self) -> Iterator[tuple[str, dict[str, LockedRecord], dict[str, Record]]]:
        """Kind, released and present records by name, of messages and of packets."""
        yield "message", self.lock.messages, {one.name: one for one in self.spec.messages}
        yield "packet", self.lock.packets, {one.name: one for one in self.spec.link.packets}

    def pairs(self) -> Iterator[Pair]:
        """Every released record, headers too, that still has its name."""
        yield Pair("block header", self.lock.block_header, self.spec.block.header)
        yield Pair("journal header", self.lock.journal_header, self.spec.journal_header)
        for kind, released, present in self.groups():
            yield from (Pair(kind, one, present[name]) for name, one in released.items() if name in present)

    def fields(self) -> Iterator[Change]:
        """Every released field that still has its name."""
        for pair in self.pairs():
            known = {one.field.name: one for one in pair.released.fields}
            for index, field in enumerate(pair.now.fields):
                if field.name in known:
                    old = known[field.name]
                    where = self.places.field(pair.kind, pair.now, index)
                    yield Change(where, old.since, old.field, field, pair.grows)

    def free_code(self, kind: str) -> int:
        """A code that no message, or a kind that no packet, has or ever had: of messages one of those for everyone."""
        used: set[int] = set()
        for group, released, present in self.groups():
            if group == kind:
                used.update(one.code for one in released.values())
                used.update(one.code for one in present.values())
        return next(code for code in range(OWN_CODE_FIRST if kind == "message" else 1, 1024) if code not in used)


class Change(NamedTuple):
    """A released field: its place, its first release, its released and its present form, and whether fields can be
    appended after it."""

    where: str
    since: int
    old: Field
    now: Field
    grows: bool


@dataclass(frozen=True)
class Pair:
    """A released record and what it is now."""

    kind: str
    released: LockedRecord
    now: Record

    @property
    def grows(self) -> bool:
        """Whether fields can be appended: to the journal's header, and to messages that a tail does not end."""
        return self.kind == "journal header" or (self.kind == "message" and not self.released.has_tail)

    @property
    def released_names(self) -> list[str]:
        """Names of the released fields."""
        return [one.field.name for one in self.released.fields]

    @property
    def now_names(self) -> list[str]:
        """Names of the fields there are now."""
        return [field.name for field in self.now.fields]

    def renamed(self) -> dict[str, int]:
        """Released fields whose name is gone, but in whose place a new one of the same type stands: name and place."""
        found = {}
        for place, one in enumerate(self.released.fields[: len(self.now.fields)]):
            now = self.now.fields[place]
            gone = one.field.name not in self.now_names and now.name not in self.released_names
            if gone and (now.type, now.size) == (one.field.type, one.field.size):
                found[one.field.name] = place
        return found

    def new(self) -> Iterator[tuple[int, Field]]:
        """Place and form of each field that no release has."""
        renamed = self.renamed().values()
        for place, field in enumerate(self.now.fields):
            if field.name not in self.released_names and place not in renamed:
                yield place, field


@dataclass(frozen=True)
class Rule:
    """One rule: its name, how to evolve instead, and the function that finds where it is broken."""

    name: str
    advice: str
    find: Callable[[History], Found]
