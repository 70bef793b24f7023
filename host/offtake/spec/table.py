"""Strict access to parsed TOML: every key is asked for by name, and what nobody asked for is an error."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from offtake.errors import InputOutputError, SpecError


class Table:
    """One TOML table and where it stands (``file: key.path``), for messages that a person can act on."""

    def __init__(self, values: dict[str, Any], where: str) -> None:
        self._values = dict(values)
        self.where = where

    def _at(self, key: str) -> str:
        return f"{self.where}{'.' if not self.where.endswith(': ') else ''}{key}"

    def _take(self, key: str, kind: type, expected: str, default: Any) -> Any:
        if key not in self._values:
            if default is not ...:
                return default
            raise SpecError("missing", where=self._at(key), expected=expected)
        value = self._values.pop(key)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            raise SpecError(f"{value!r} is not {expected}", where=self._at(key), expected=expected)
        return value

    def text(self, key: str, default: Any = ...) -> str:
        """The string at ``key``, stripped."""
        value: str = self._take(key, str, "a string", default)
        return value.strip()

    def integer(self, key: str, low: int, high: int, default: Any = ...) -> int:
        """The whole number at ``key``, from ``low`` to ``high``."""
        expected = f"a whole number from {low} to {high}"
        value: int = self._take(key, int, expected, default)
        if not low <= value <= high:
            raise SpecError(f"{value} is out of range", where=self._at(key), expected=expected)
        return value

    def optional_integer(self, key: str) -> int | None:
        """The whole number at ``key``, or None where the key is absent."""
        value: int | None = self._take(key, int, "a whole number", None)
        return value

    def word(self, key: str, allowed: tuple[str, ...], default: Any = ...) -> str:
        """The string at ``key``, one of ``allowed``."""
        value: str = self._take(key, str, f"one of {', '.join(allowed)}", default)
        if value not in allowed:
            raise SpecError(f"{value!r} is not known", where=self._at(key), expected=f"one of {', '.join(allowed)}")
        return value

    def any_of(self, key: str) -> Any:
        """The value at ``key`` whatever its type, or None."""
        return self._values.pop(key, None)

    def table(self, key: str, default: Any = ...) -> Table:
        """The sub-table at ``key``."""
        return Table(self._take(key, dict, "a table", default), self._at(key))

    def tables(self, key: str, default: Any = ...) -> list[Table]:
        """The list of sub-tables at ``key``."""
        items = self._take(key, list, "a list of tables", default)
        result = []
        for index, item in enumerate(items):
            where = f"{self._at(key)}[{index}]"
            if not isinstance(item, dict):
                raise SpecError(f"{item!r} is not a table", where=where, expected="a table")
            name = item.get("name")
            result.append(Table(item, f"{where} ({name})" if isinstance(name, str) else where))
        return result

    def integers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """The list of whole numbers at ``key``."""
        items = self._take(key, list, "a list of whole numbers", ...)
        for item in items:
            if not isinstance(item, int) or isinstance(item, bool) or not low <= item <= high:
                raise SpecError(f"{item!r} is out of range", where=self._at(key), expected=f"{low} to {high}")
        return tuple(items)

    def named_tables(self) -> Iterator[tuple[str, Table]]:
        """All remaining keys as (name, sub-table)."""
        for key in list(self._values):
            yield key, self.table(key)

    def end(self, known: str = "") -> None:
        """Raise SpecError for the first key that was never asked for."""
        for key in self._values:
            raise SpecError("unknown key", where=self._at(key), expected=known or "a key this table knows, or none")


def load_table(path: Path, shown: str) -> Table:
    """Parse the TOML file at ``path``; ``shown`` is its name in messages. SpecError tells line and column."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputOutputError(f"cannot read: {error}", where=shown) from error
    try:
        return Table(tomllib.loads(text), f"{shown}: ")
    except tomllib.TOMLDecodeError as error:
        raise SpecError(f"not TOML: {error}", where=shown, expected="TOML 1.0") from error
