"""A TOML table of a dialect file, read strictly: every error names the file, the line and the key path."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, cast

from offtake.errors import SpecError
from offtake.spec.lines import KeyPath
from offtake.spec.table import Source

_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]*")
_STEP = re.compile(r"\[([0-9]+)\]|[^.\[\]]+")


class DialectTable:
    """A TOML table that knows where it stands and which of its keys were asked for."""

    def __init__(self, values: dict[str, Any], source: Source, path: KeyPath = ()) -> None:
        self._values = values
        self._source = source
        self._path = path
        self._asked: set[str] = set()

    def error(self, key: str, what: str, expected: str) -> SpecError:
        """A SpecError at ``key`` of this table, or at a path below it such as ``fields[0].name``."""
        if key in self._values:
            below: KeyPath = (key,)
        else:
            below = tuple(int(step[1]) if step[1] else step[0] for step in _STEP.finditer(key))
        return SpecError(what, where=self._source.where((*self._path, *below)), expected=expected)

    def names(self) -> tuple[str, ...]:
        """The keys, in the file's order."""
        return tuple(self._values)

    def has(self, key: str) -> bool:
        """Whether ``key`` is there."""
        return key in self._values

    def done(self) -> None:
        """Raise for any key that nobody asked for."""
        for key in self._values:
            if key not in self._asked:
                raise self.error(key, "unknown key", f"one of {', '.join(sorted(self._asked))}")

    def text(self, key: str) -> str:
        """A text that is not empty."""
        value = self._get(key, "text")
        if not isinstance(value, str) or not value.strip():
            raise self.error(key, f"{value!r} is no text", "a text that is not empty")
        return value

    def word(self, key: str) -> str:
        """Small letters, digits and underscores."""
        value = self._get(key, "a word")
        if not isinstance(value, str) or not re.fullmatch(r"[a-z0-9_]+", value):
            raise self.error(key, f"{value!r} is no word", "small letters, digits and underscores")
        return value

    def identifier(self, key: str) -> str:
        """A word with a letter first."""
        value = self._get(key, "a name")
        if not isinstance(value, str) or not _IDENTIFIER.fullmatch(value):
            expected = "small letters, digits and underscores, a letter first"
            raise self.error(key, f"{value!r} is no name", expected)
        return value

    def characters(self, key: str, least: int, most: int) -> str:
        """Printable ASCII, ``least`` to ``most`` of it."""
        value = self._get(key, "text")
        plain = isinstance(value, str) and value.isascii() and value.isprintable()
        if not plain or not least <= len(value) <= most:
            expected = f"{least} to {most} printable ASCII characters"
            raise self.error(key, f"{value!r} does not fit", expected)
        return cast(str, value)

    def one_of(self, key: str, choices: Sequence[str]) -> str:
        """One of ``choices``."""
        expected = "one of " + ", ".join(repr(choice) for choice in choices)
        value = self._get(key, expected)
        if value not in choices:
            raise self.error(key, f"{value!r} is unknown", expected)
        return cast(str, value)

    def integer(self, key: str, least: int, most: int) -> int:
        """A whole number from ``least`` to ``most``."""
        value = self._get(key, "a whole number")
        if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
            raise self.error(key, f"{value!r} does not fit", f"a whole number from {least} to {most}")
        return value

    def number(self, key: str) -> int | float:
        """A finite number."""
        value = self._get(key, "a number")
        good = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < float("inf")
        if not good:
            raise self.error(key, f"{value!r} is no finite number", "a number")
        return cast("int | float", value)

    def range(self) -> tuple[int | float | None, int | float | None]:
        """The numbers ``min`` and ``max``, each of which may be missing."""
        minimum = self.number("min") if self.has("min") else None
        maximum = self.number("max") if self.has("max") else None
        if minimum is not None and maximum is not None and minimum > maximum:
            raise self.error("max", f"{maximum} is below min", f"{minimum} or more")
        return minimum, maximum

    def boolean(self, key: str) -> bool:
        """True or false."""
        value = self._get(key, "true or false")
        if not isinstance(value, bool):
            raise self.error(key, f"{value!r} does not fit", "true or false")
        return value

    def table(self, key: str) -> DialectTable:
        """The table at ``key``."""
        value = self._get(key, "a table")
        if not isinstance(value, dict):
            raise self.error(key, f"{value!r} is no table", "a table")
        return DialectTable(value, self._source, (*self._path, key))

    def tables(self, key: str) -> list[tuple[str, DialectTable]]:
        """The tables in the table at ``key``, by name."""
        parent = self.table(key)
        return [(name, parent.table(name)) for name in parent.names()]

    def list_of_tables(self, key: str) -> list[DialectTable]:
        """The tables in the list at ``key``."""
        value = self._get(key, "a list of tables")
        if not isinstance(value, list) or not all(isinstance(part, dict) for part in value):
            raise self.error(key, "not a list of tables", "a list of tables")
        return [DialectTable(part, self._source, (*self._path, key, index)) for index, part in enumerate(value)]

    def check_name(self, name: str) -> None:
        """Raise unless ``name``, which this table stands under, is an identifier."""
        if not _IDENTIFIER.fullmatch(name):
            raise self.error("", f"{name!r} is no name", "small letters, digits and underscores, a letter first")

    def integers(self, key: str, least: int, most: int) -> list[int]:
        """A list of at least one whole number, each from ``least`` to ``most`` and none twice."""
        expected = f"a list of whole numbers from {least} to {most}, none twice"
        value = self._get(key, expected)
        good = isinstance(value, list) and value and all(type(one) is int and least <= one <= most for one in value)
        if not good or len(set(value)) != len(value):
            raise self.error(key, f"{value!r} does not fit", expected)
        return cast("list[int]", value)

    def pair(self, key: str, least: int, most: int) -> tuple[int, int]:
        """A list of two whole numbers from ``least`` to ``most``."""
        value = self._get(key, "two whole numbers")
        good = isinstance(value, list) and len(value) == 2 and all(type(one) is int for one in value)
        if not good or not all(least <= one <= most for one in value):
            raise self.error(key, f"{value!r} does not fit", f"two whole numbers from {least} to {most}")
        return value[0], value[1]

    def texts(self, key: str) -> list[str]:
        """A list of at least one text."""
        value = self._get(key, "a list of texts")
        if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
            raise self.error(key, f"{value!r} does not fit", "a list of texts")
        return value

    def _get(self, key: str, expected: str) -> Any:
        self._asked.add(key)
        if key not in self._values:
            raise self.error(key, "missing", expected)
        return self._values[key]
