"""Strict access to parsed TOML: every key is asked for by name, and what nobody asked for is an error."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

from offtake.errors import InputOutputError, SpecError
from offtake.spec.lines import KeyPath, Lines, key_lines

_INTEGER_BITS = 64
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z")


@dataclass(frozen=True)
class Source:
    """One TOML file as it is shown in messages, and its text, in which lines are looked up."""

    shown: str
    text: str

    @cached_property
    def lines(self) -> Lines:
        """Lines of all keys; found only when someone asks, which is mostly because of a mistake."""
        return key_lines(self.text)

    def where(self, path: KeyPath, label: str = "") -> str:
        """``messages.toml line 12: messages.soil.code``; ``label`` is shown in the path's stead."""
        place = f"{self.shown} line {self.lines.of(path)}"
        return f"{place}: {label or path_text(path)}" if path else place


def path_text(path: KeyPath) -> str:
    """A key path as people read it: ``messages.soil.fields[1]``."""
    text = ""
    for part in path:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


class Table:
    """One TOML table and where it stands, for messages that a person can act on."""

    def __init__(self, values: dict[str, Any], source: Source, path: KeyPath = (), label: str = "") -> None:
        self._values = dict(values)
        self.source = source
        self.path = path
        self._label = label

    @property
    def where(self) -> str:
        """File, line and key path of the table itself."""
        return self.source.where(self.path, self._label)

    def _label_of(self, key: str) -> str:
        return f"{self._label}.{key}" if self._label else key

    def at(self, key: str) -> str:
        """File, line and key path of ``key``; the table's line where the file has no such key."""
        return self.source.where((*self.path, key), self._label_of(key))

    def _take(self, key: str, kinds: type | tuple[type, ...], expected: str, default: Any) -> Any:
        if key not in self._values:
            if default is not ...:
                return default
            raise SpecError("missing", where=self.at(key), expected=expected)
        value = self._values.pop(key)
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not bool):
            raise SpecError(f"{value!r} is not {expected}", where=self.at(key), expected=expected)
        return value

    def has(self, key: str) -> bool:
        """Whether ``key`` is there and has not been asked for yet."""
        return key in self._values

    def text(self, key: str, default: Any = ...) -> str:
        """The string at ``key``, stripped."""
        value: str = self._take(key, str, "a string", default)
        return value.strip()

    def integer(self, key: str, low: int, high: int, default: Any = ...) -> int:
        """The whole number at ``key``, from ``low`` to ``high``."""
        expected = f"a whole number from {low} to {high}"
        value: int = self._take(key, int, expected, default)
        if not low <= value <= high:
            raise SpecError(f"{value} is out of range", where=self.at(key), expected=expected)
        return value

    def optional_integer(self, key: str) -> int | None:
        """The whole number at ``key``, or None where the key is absent."""
        value: int | None = self._take(key, int, "a whole number", None)
        return value

    def number(self, key: str, default: Any = ...) -> Decimal | None:
        """The number at ``key``, whole or decimal, exactly as it is written; at most 30 digits long."""
        value: int | Decimal | None = self._take(key, (int, Decimal), "a number", default)
        if value is None:
            return None
        number = Decimal(value)
        if (
            not number.is_finite()
            or (number and not -30 <= number.adjusted() <= 30)
            or len(number.as_tuple().digits) > 30
        ):
            raise SpecError("not a number that can be used", where=self.at(key), expected="a number of a usual size")
        return number

    def word(self, key: str, allowed: tuple[str, ...], default: Any = ...) -> str:
        """The string at ``key``, one of ``allowed``."""
        value: str = self._take(key, str, f"one of {', '.join(allowed)}", default)
        if value not in allowed:
            raise SpecError(f"{value!r} is not known", where=self.at(key), expected=f"one of {', '.join(allowed)}")
        return value

    def any_of(self, key: str) -> Any:
        """The value at ``key`` whatever its type, or None."""
        return self._values.pop(key, None)

    def table(self, key: str, default: Any = ...) -> Table:
        """The sub-table at ``key``."""
        values = self._take(key, dict, "a table", default)
        return Table(values, self.source, (*self.path, key), self._label_of(key))

    def tables(self, key: str, default: Any = ...) -> list[Table]:
        """The list of sub-tables at ``key``."""
        items = self._take(key, list, "a list of tables", default)
        result = []
        for index, item in enumerate(items):
            path, label = (*self.path, key, index), f"{self._label_of(key)}[{index}]"
            if not isinstance(item, dict):
                raise SpecError(f"{item!r} is not a table", where=self.source.where(path, label), expected="a table")
            name = item.get("name")
            result.append(Table(item, self.source, path, f"{label} ({name})" if isinstance(name, str) else label))
        return result

    def integers(self, key: str, low: int, high: int) -> tuple[int, ...]:
        """The list of whole numbers at ``key``."""
        items = self._take(key, list, "a list of whole numbers", ...)
        for item in items:
            if not isinstance(item, int) or isinstance(item, bool) or not low <= item <= high:
                raise SpecError(f"{item!r} is out of range", where=self.at(key), expected=f"{low} to {high}")
        return tuple(items)

    def named_tables(self) -> Iterator[tuple[str, Table]]:
        """All remaining keys as (name, sub-table)."""
        for key in list(self._values):
            yield key, self.table(key)

    def end(self, known: str = "") -> None:
        """Raise SpecError for the first key that was never asked for."""
        for key in self._values:
            raise SpecError("unknown key", where=self.at(key), expected=known or "a key this table knows, or none")


def read_source(path: Path, shown: str) -> Source:
    """The text of the file at ``path``; ``shown`` is its name in messages. InputOutputError if it is no UTF-8 file."""
    try:
        return Source(shown, path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise InputOutputError(f"cannot read: {error}", where=shown) from error


def load_table(path: Path, shown: str) -> Table:
    """Parse the TOML file at ``path``; ``shown`` is its name in messages. InputOutputError and SpecError as below."""
    return parse_table(read_source(path, shown))


def parse_table(source: Source, decimal: type[float] | type[Decimal] = float) -> Table:
    """The TOML of ``source`` as a table, its decimal numbers as ``decimal``. SpecError tells line and column."""
    return Table(parse_toml(source, decimal), source)


def parse_toml(source: Source, decimal: type[float] | type[Decimal] = float) -> dict[str, Any]:
    """As :func:`parse_table`, what Python makes of it."""
    try:
        values = tomllib.loads(source.text, parse_float=decimal)
        _refuse_huge(values, source, ())
        return values
    except (ValueError, ArithmeticError, RecursionError) as error:
        # Besides its own error (a ValueError) tomllib lets those of a number too long or a nesting too deep through.
        message = str(error)
        place = _TOML_PLACE.search(message)
        where = source.shown
        if place:
            message = message[: place.start()]
            line = source.text.count("\n") + 1
            where += f" line {place[1]}, column {place[2]}" if place[1] else f" line {line}"
        raise SpecError(f"not TOML: {message}", where=where, expected="TOML 1.0") from error


def _refuse_huge(value: Any, source: Source, path: KeyPath) -> None:
    """SpecError for a whole number that TOML does not allow: Python reads it, and fails when it is to be shown."""
    if isinstance(value, int) and value.bit_length() > _INTEGER_BITS:
        raise SpecError("a number too large", where=source.where(path), expected=f"at most {_INTEGER_BITS} bits")
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, item in inner:
        _refuse_huge(item, source, (*path, key))
