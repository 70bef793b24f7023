"""Where each key of a TOML text stands, which Python's own reader does not tell."""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass

KeyPath = tuple[str | int, ...]
"""Keys and list indexes from the top of the file down."""

_BLANK = " \t\r\n"
_VALUE_ENDS = ",]}#\n"
_KEY = re.compile(r"[^ \t.=\]]*")
# Of several lines, basic and literal; on one line, basic and literal. The first two may end with quotes of their own.
_STRING = re.compile(
    r'"""((?:[^\\]|\\.)*?)"""(?:"{0,2})|\'\'\'(.*?)\'\'\'(?:\'{0,2})|"((?:[^"\\]|\\.)*)"|\'([^\']*)\'', re.DOTALL
)


@dataclass(frozen=True)
class Lines:
    """Lines of one file, counted from 1: of each key, and the last one of each table's own pairs."""

    starts: dict[KeyPath, int]
    ends: dict[KeyPath, int]
    headers: tuple[tuple[KeyPath, int], ...]
    """Every ``[table]`` and ``[[table]]`` in the file's order."""

    def of(self, path: KeyPath) -> int:
        """The line of ``path``, or of the nearest thing around it that the file has; 1 if nothing is."""
        while path and path not in self.starts:
            path = path[:-1]
        return self.starts.get(path, 1)


def key_lines(text: str) -> Lines:
    """Find the lines of all keys in ``text``, which ``tomllib`` has accepted before (it is not checked again)."""
    scanner = _Scanner(text)
    scanner.document()
    return Lines(scanner.starts, scanner.ends, tuple(scanner.headers))


class _Scanner:
    """Walks over a valid TOML text once, from its first character to its last."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.starts: dict[KeyPath, int] = {}
        self.ends: dict[KeyPath, int] = {}
        self.headers: list[tuple[KeyPath, int]] = []
        self._breaks = [found.start() for found in re.finditer("\n", text)]
        self._last_index: dict[KeyPath, int] = {}

    def document(self) -> None:
        table: KeyPath = ()
        while self._skip(_BLANK):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
                self.ends[table] = self._line()

    def _line(self) -> int:
        return bisect_right(self._breaks, self.at - 1) + 1

    def _skip(self, characters: str) -> bool:
        """Passes ``characters`` and comments; False at the end of the text."""
        while self.at < len(self.text):
            if self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            elif self.text[self.at] in characters:
                self.at += 1
            else:
                return True
        return False

    def _header(self) -> KeyPath:
        line = self._line()
        is_list = self.text.startswith("[[", self.at)
        self.at += 2 if is_list else 1
        keys = self._keys()
        self.at = self.text.index("]", self.at) + (2 if is_list else 1)
        path: KeyPath = ()
        for place, key in enumerate(keys):
            path = (*path, key)
            is_last = place == len(keys) - 1
            if is_list and is_last:
                self._last_index[path] = self._last_index.get(path, -1) + 1
            if path in self._last_index:
                self.starts.setdefault(path, line)
                path = (*path, self._last_index[path])
            self.starts.setdefault(path, line)
        self.starts[path] = line
        self.ends[path] = line
        self.headers.append((path, line))
        return path

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip_spaces()
            if self.text[self.at] in "\"'":
                keys.append(self._string())
            else:
                key = _KEY.match(self.text, self.at)
                keys.append(key[0] if key else "")
                self.at += len(keys[-1])
            self._skip_spaces()
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def _skip_spaces(self) -> None:
        while self.text[self.at] in " \t":
            self.at += 1

    def _pair(self, table: KeyPath) -> None:
        line = self._line()
        path = table
        for key in self._keys():
            path = (*path, key)
            self.starts.setdefault(path, line)
        self.at += 1
        self._skip_spaces()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self.at += 1
            index = 0
            while self._skip(_BLANK + ",") and self.text[self.at] != "]":
                self.starts[(*path, index)] = self._line()
                self._value((*path, index))
                index += 1
            self.at += 1
        elif first == "{":
            self.at += 1
            while self._skip(_BLANK + ",") and self.text[self.at] != "}":
                self._pair(path)
            self.at += 1
        else:
            while self.at < len(self.text) and self.text[self.at] not in _VALUE_ENDS:
                self.at += 1

    def _string(self) -> str:
        """Passes a string; returns what stands between its quotes, its escapes as they are written."""
        found = _STRING.match(self.text, self.at)
        if found is None:
            raise AssertionError("a text that no reader of TOML takes")
        self.at = found.end()
        return str(found[found.lastindex or 0])
