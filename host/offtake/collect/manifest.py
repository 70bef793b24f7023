"""What a dataset knows of the files it was made of: lines of JSON that are only ever added, the last of a kind counts.

A line is on the disk before what it promises is done, so a program that was killed is understood by the next: a journal
that was begun and not ended is put in place then. A last line that was cut short does not count.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

from offtake.collect.names import is_part_path, is_ready_name
from offtake.errors import DamageError, InputOutputError

SCHEMA = "offtake.collect_manifest/1"
State = Literal["taken", "copy", "set_aside"]
_SPARE_LINES = 200
"""Lines that no longer count are dropped when there are more of them than lines that do, and than this."""


@dataclass(frozen=True)
class Part:
    """A file of the dataset: its path in it, its rows and bytes."""

    path: str
    rows: int
    size_bytes: int


@dataclass(frozen=True)
class JournalEntry:
    """A journal that is in the dataset, as read from ``path``.

    ``content`` is the SHA-256 of the bytes in use, ``how`` tells the settings they were decoded with, ``newest`` is the
    highest block number. ``damaged_bytes`` could not be used; ``notes`` say what else is to be known. ``seals`` are
    numbers and checks of some of its blocks, by which another recording of the same id is told from it.
    """

    journal_id: int
    path: str
    content: str
    how: str
    logger: str
    newest: int
    used_bytes: int
    damaged_bytes: int
    runs: int
    notes: tuple[str, ...]
    parts: tuple[Part, ...]
    seals: tuple[tuple[int, int], ...] = ()


@dataclass(frozen=True)
class SourceEntry:
    """A file that was looked at, and what became of it; of an unchanged one nothing is read again, unless ``again``.

    ``state``: ``taken``, ``copy`` (of a journal that another file holds as far or further) or ``set_aside``, with the
    ``reason``. ``journal_id`` is -1 where there is none.
    """

    path: str
    size: int
    mtime_ns: int
    how: str
    state: State
    journal_id: int
    newest: int
    used_bytes: int
    reason: str = ""
    again: bool = False


@dataclass(frozen=True)
class Begun:
    """A journal that is being put in place out of the folder ``ready``; ``stale`` are parts that have no place then."""

    journal: JournalEntry
    ready: str
    stale: tuple[str, ...]


Entry = TypeVar("Entry", Part, JournalEntry, SourceEntry)


class Manifest:
    """The manifest in the file ``path``, which is made if it is not there.

    :raises DamageError: a file that is no such manifest, or of a later version.
    :raises InputOutputError: it cannot be read or written.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.journals: dict[int, JournalEntry] = {}
        self.sources: dict[str, SourceEntry] = {}
        self.begun: dict[int, Begun] = {}
        try:
            whole, lines = self._load()
            wasteful = lines > _SPARE_LINES + 2 * (len(self.journals) + len(self.sources))
            if not whole or wasteful:
                self._write_anew()
        except OSError as error:
            raise InputOutputError(f"cannot use the manifest: {error.strerror}", where=str(path)) from error

    def begin(self, begun: Begun) -> None:
        """A journal's parts are about to be put in place."""
        self._add({"line": "begin", **asdict(begun)})
        self.begun[begun.journal.journal_id] = begun

    def end(self, journal_id: int) -> None:
        """They are."""
        self._add({"line": "end", "journal_id": journal_id})
        self.journals[journal_id] = self.begun.pop(journal_id).journal

    def found_at(self, journal_id: int, path: str) -> None:
        """A journal that is in the dataset lies in another file now."""
        journal = replace(self.journals[journal_id], path=path)
        self._add({"line": "journal", **asdict(journal)})
        self.journals[journal_id] = journal

    def forget(self, journal_id: int) -> None:
        """A journal has to be taken anew: what was said of it and of its files does not hold."""
        self._add({"line": "forget", "journal_id": journal_id})
        self._forget(journal_id)

    def tell(self, source: SourceEntry) -> None:
        """What became of a file."""
        if self.sources.get(source.path) != source:
            self._add({"line": "source", **asdict(source)})
            self.sources[source.path] = source

    def _forget(self, journal_id: int) -> None:
        self.begun.pop(journal_id, None)
        self.journals.pop(journal_id, None)
        self.sources = {path: one for path, one in self.sources.items() if one.journal_id != journal_id}

    def _add(self, values: dict[str, Any]) -> None:
        try:
            with self._path.open("ab") as handle:
                handle.write(_line(values))
                handle.flush()
                os.fsync(handle.fileno())
        except OSError as error:
            raise InputOutputError(f"cannot write: {error.strerror}", where=str(self._path)) from error

    def _load(self) -> tuple[bool, int]:
        """Reads the file; whether it is whole, and how many lines it has."""
        if not self._path.exists():
            return False, 0
        data = self._path.read_bytes()
        lines = data.split(b"\n")
        for number, line in enumerate(lines[:-1], start=1):
            try:
                self._take(json.loads(line), number)
            except (ValueError, TypeError, KeyError, AttributeError) as error:
                raise DamageError(
                    f"no line of a manifest ({type(error).__name__})", where=f"{self._path}, line {number}",
                    expected="what `offtake collect` wrote; move the dataset away and collect anew",
                ) from error  # fmt: skip
        return lines[-1] == b"" and len(lines) > 1, len(lines)

    def _take(self, values: dict[str, Any], number: int) -> None:
        kind = values.pop("line")
        if number == 1:
            if kind != "dataset" or values["schema"] != SCHEMA:
                raise ValueError("another schema")
        elif kind == "source":
            source = _entry(SourceEntry, values)
            self.sources[source.path] = source
        elif kind == "begin":
            begun = Begun(_journal(values["journal"]), str(values["ready"]), tuple(values["stale"]))
            if not is_ready_name(begun.ready) or not all(map(is_part_path, begun.stale)):
                raise ValueError("a path out of the dataset")
            self.begun[begun.journal.journal_id] = begun
        elif kind == "journal":
            journal = _journal(values)
            self.journals[journal.journal_id] = journal
        elif kind == "end":
            self.journals[values["journal_id"]] = self.begun.pop(values["journal_id"]).journal
        elif kind == "forget":
            self._forget(values["journal_id"])
        else:
            raise ValueError(f"line {kind}")

    def _write_anew(self) -> None:
        lines = [_line({"line": "dataset", "schema": SCHEMA})]
        lines += [_line({"line": "journal", **asdict(one)}) for one in self.journals.values()]
        lines += [_line({"line": "begin", **asdict(one)}) for one in self.begun.values()]
        lines += [_line({"line": "source", **asdict(one)}) for one in self.sources.values()]
        write_whole(self._path, b"".join(lines))


def write_whole(path: Path, data: bytes) -> None:
    """Write a file aside, and put it in place when it is on the disk. OSError as the system says."""
    aside = path.with_name(path.name + ".new")
    with aside.open("wb") as handle:
        handle.write(data)
        handle.flush()
        os.fsync(handle.fileno())
    os.replace(aside, path)


def _line(values: dict[str, Any]) -> bytes:
    # Names of files need not be text; what stands for their odd bytes stays as it is.
    return json.dumps(values, ensure_ascii=True).encode() + b"\n"


def entry_text(journal: JournalEntry) -> bytes:
    """A journal's entry as a line of JSON."""
    return _line(asdict(journal))


def entry_of(text: bytes) -> JournalEntry | None:
    """The journal's entry in such a line; None where it is none."""
    try:
        return _journal(json.loads(text))
    except (ValueError, TypeError, KeyError):
        return None


def _journal(values: dict[str, Any]) -> JournalEntry:
    parts = tuple(_entry(Part, one) for one in values["parts"])
    if not all(is_part_path(part.path) for part in parts):
        raise ValueError("a path out of the dataset")
    seals = tuple((number, check) for number, check in values.get("seals", ()))
    if not all(isinstance(one, int) and 0 <= one < 2**32 for pair in seals for one in pair):
        raise ValueError("no seal of a block")
    return _entry(JournalEntry, {**values, "notes": tuple(values["notes"]), "parts": parts, "seals": seals})


def _entry(kind: Callable[..., Entry], values: dict[str, Any]) -> Entry:
    known = {one.name for one in fields(kind)}  # type: ignore[arg-type]
    return kind(**{name: value for name, value in values.items() if name in known})
