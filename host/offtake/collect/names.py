"""The names of a dataset's folders and files, harmless whatever a log says."""

from __future__ import annotations

import re

RESERVED = ("fixes", "satellites", "events", "supply", "loss")
"""Tables that every journal may have; a message of this name in a log gets another."""
_LABEL_LENGTH_MAX = 64
_NO_NAMES = re.compile("epoch|infinity|inf|nan|now|today|tomorrow|yesterday|null|none|true|false", re.IGNORECASE)
"""Labels that some readers take for a date, a number or nothing at all."""
_PART = re.compile(r"logger=[A-Za-z][A-Za-z0-9._-]*/run=[0-9]+/message=[A-Za-z0-9_]+/part-[0-9a-f]{8}\.parquet")
_READY = re.compile(r"[0-9a-f]+(-[0-9a-f]+)*")
_UNSAFE = re.compile(r"[^A-Za-z0-9._-]+")


def logger_name(label: str, journal_id: int) -> str:
    """What the logger is called in a path: its label in letters, digits, ``.``, ``_`` and ``-``, or its journal's id.

    It begins with a letter and is none of a few words, so that no reader takes it for a number, a date or a hidden
    folder.
    """
    name = _UNSAFE.sub("_", label).strip("._-")[:_LABEL_LENGTH_MAX]
    if not name:
        return f"journal_{journal_id:08x}"
    return name if name[0].isalpha() and not _NO_NAMES.fullmatch(name) else f"logger_{name}"


def message_name(name: str) -> str:
    """What a message of a log, whose name is a harmless identifier, is called in a path."""
    return f"{name}_message" if name in RESERVED else name


def part_path(logger: str, run: int, message: str, journal_id: int) -> str:
    """Where a table of a run lies in the dataset. The journal's part of it has one name for good: a longer copy of the
    journal replaces it in one step.
    """
    return f"logger={logger}/run={run}/message={message}/part-{journal_id:08x}.parquet"


def is_part_path(path: str) -> bool:
    """Whether :func:`part_path` may have made this."""
    return _PART.fullmatch(path) is not None


def ready_name(journal_id: int, content: str, how: str) -> str:
    """The folder that a journal's parts wait in: the same for the same bytes decoded in the same way."""
    return f"{journal_id:08x}-{content[:16]}-{how[:16]}"


def is_ready_name(name: str) -> bool:
    """Whether :func:`ready_name` may have made this."""
    return _READY.fullmatch(name) is not None
