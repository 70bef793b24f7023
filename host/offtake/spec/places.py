"""Where things of a loaded definition stand: file, line and key path, for messages about it."""

from __future__ import annotations

from collections.abc import Mapping

from offtake.errors import SpecError
from offtake.spec.lines import KeyPath
from offtake.spec.lock_model import Lock, LockedEnum, LockedRecord
from offtake.spec.model import Record, Spec
from offtake.spec.table import Source, path_text

_RECORDS: Mapping[str, tuple[str, KeyPath, str]] = {
    "message": ("messages.toml", ("messages",), "fields"),
    "packet": ("link.toml", ("packets",), "fields"),
    "journal header": ("block.toml", ("journal_header",), "fields"),
    "block header": ("block.toml", ("block",), "header"),
}


class Places:
    """Looks up places in the texts that a definition was read from.

    A record's kind is "message", "packet", "journal header" or "block header".
    """

    def __init__(self, spec: Spec, sources: Mapping[str, Source]) -> None:
        self._spec = spec
        self._sources = sources

    def record(self, kind: str, name: str, key: str = "") -> str:
        """A record, or a ``key`` of it."""
        file, path, _ = _RECORDS[kind]
        path = path if kind.endswith("header") else (*path, name)
        return self._sources[file].where((*path, key) if key else path)

    def field(self, kind: str, record: Record, index: int, key: str = "") -> str:
        """Field ``index`` of ``record``, or a ``key`` of that field."""
        file, path, fields = _RECORDS[kind]
        path = (*path, fields, index) if kind.endswith("header") else (*path, record.name, fields, index)
        label = f"{path_text(path)} ({record.fields[index].name})"
        source = self._sources[file]
        return source.where((*path, key), f"{label}.{key}") if key else source.where(path, label)

    def enum(self, name: str, choice: str = "") -> str:
        """An enumeration or flag set, or one of its choices, in whichever file it stands."""
        if name == "board":
            return self._variant(choice)
        path: KeyPath
        for path in (("enums", name), ("flag_sets", name), (name,)):
            for source in self._sources.values():
                if path in source.lines.starts:
                    return source.where((*path, choice) if choice else path)
        return name

    def _variant(self, name: str) -> str:
        for board in self._spec.boards:
            for index, variant in enumerate(board.variants):
                if variant.name == name:
                    path = ("board", "variants", index)
                    return self._sources[f"boards/{board.name}.toml"].where(path, f"{path_text(path)} ({name})")
        return "boards"


def placed(error: SpecError, sources: Mapping[str, Source]) -> SpecError:
    """``error`` with file and line, where it only tells a key path such as ``messages.soil``."""
    path: KeyPath = tuple(error.where.split("."))
    for source in sources.values():
        if path in source.lines.starts:
            return SpecError(error.what, where=source.where(path), expected=error.expected)
    return error


class LockPlaces:
    """Looks up places in the lock itself, for what the definition has no more."""

    def __init__(self, lock: Lock) -> None:
        self._source = lock.source

    def _of(self, path: KeyPath, label: str = "") -> str:
        return self._source.where(path, label) if self._source else label or path_text(path)

    def record(self, kind: str, record: LockedRecord, index: int | None = None) -> str:
        """A released record, or its field ``index``."""
        _, path, fields = _RECORDS[kind]
        path = path if kind.endswith("header") else (*path, record.name)
        if index is None:
            return self._of(path)
        path = (*path, fields, index)
        return self._of(path, f"{path_text(path)} ({record.fields[index].field.name})")

    def enum(self, enum: LockedEnum, index: int | None = None) -> str:
        """A released enumeration, or its choice ``index``."""
        path: KeyPath = ("flag_sets" if enum.is_flags else "enums", enum.name)
        if index is None:
            return self._of(path)
        path = (*path, "choices", index)
        return self._of(path, f"{path_text(path)} ({enum.choices[index].name})")
