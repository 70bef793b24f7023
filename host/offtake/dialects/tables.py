"""The shape of a dialect's decoder tables.

:mod:`offtake.spec.dialect` fills these from TOML, :mod:`offtake.codegen.dialects_py` writes them out as
Python, and the decoders read them. They hold data only, so an installed package needs no TOML.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

FieldKind = Literal[
    "time_of_day",
    "date_ddmmyy",
    "date_parts",
    "latitude",
    "longitude",
    "number",
    "signed_number",
    "integer",
    "letter",
    "letters",
    "text",
    "list",
    "groups",
]
FIELD_KINDS: tuple[str, ...] = get_args(FieldKind)


@dataclass(frozen=True)
class LetterSet:
    """Code letters and the names they decode to; ``other`` names the unlisted ones (``None``: invalid)."""

    name: str
    doc: str
    codes: tuple[tuple[str, str], ...]
    other: str | None = None


@dataclass(frozen=True)
class Field:
    """One value of a sentence. ``at`` is its first column, from 1 (inside ``groups``: within the group)."""

    name: str
    kind: FieldKind
    at: int
    doc: str
    unit: str = ""
    optional: bool = False
    minimum: int | float | None = None
    maximum: int | float | None = None
    base: int = 10
    unit_letter: str = ""
    positive: str = ""
    negative: str = ""
    letters: str = ""
    count: int = 1
    fields: tuple[Field, ...] = ()

    @property
    def columns(self) -> int:
        """Columns the field takes in a full sentence."""
        if self.kind == "groups":
            return self.count * self.group_columns
        if self.kind == "list":
            return self.count
        if self.kind == "date_parts":
            return 3
        if self.kind in ("latitude", "longitude", "signed_number") or self.unit_letter:
            return 2
        return 1

    @property
    def group_columns(self) -> int:
        """Columns of one group of a ``groups`` field."""
        return max((inner.at + inner.columns - 1 for inner in self.fields), default=0)

    @property
    def end(self) -> int:
        """Last column the field takes."""
        return self.at + self.columns - 1


@dataclass(frozen=True)
class Sentence:
    """One kind of sentence and its fields, by column."""

    name: str
    doc: str
    fields: tuple[Field, ...]

    @property
    def columns_full(self) -> int:
        """Columns of the longest form known here."""
        return max(field.end for field in self.fields)

    @property
    def columns_min(self) -> int:
        """Columns without which the sentence is incomplete; groups may be missing altogether."""
        needed = [field for field in self.fields if not field.optional]
        return max((field.at - 1 if field.kind == "groups" else field.end for field in needed), default=0)


@dataclass(frozen=True)
class Framing:
    """How a sentence is told from noise. ``max_length`` counts bytes from start character to line end."""

    starts: str
    separator: str
    check: Literal["xor8"]
    check_mark: str
    line_end: str
    max_length: int


@dataclass(frozen=True)
class Address:
    """How the first column splits into talker and sentence name."""

    talker_letters: int
    name_letters: int
    proprietary: str


@dataclass(frozen=True)
class Dialect:
    """A receiver's output format of the text family."""

    name: str
    title: str
    family: Literal["sentence"]
    doc: str
    framing: Framing
    address: Address
    letters: tuple[LetterSet, ...]
    sentences: tuple[Sentence, ...]

    def letter_set(self, name: str) -> LetterSet:
        """Return the letter set called ``name``; raises :class:`KeyError` when there is none."""
        for letters in self.letters:
            if letters.name == name:
                return letters
        raise KeyError(name)
