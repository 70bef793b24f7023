"""Which files of a folder are journals, and how far each reaches."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from offtake.card import open_journal
from offtake.errors import InputOutputError, UsageError
from offtake.generated.records import BLOCK_SIZE, JOURNAL_MAGIC
from offtake.journal.tip import find_tip

ENDING = ".jnl"
UNFINISHED = ".part"


@dataclass(frozen=True)
class Candidate:
    """A file that may be a journal: its path without links in it, its size in bytes and when it was written last."""

    path: str
    size: int
    mtime_ns: int


@dataclass(frozen=True)
class Reach:
    """How far a copy of the journal ``journal_id`` reaches: its ``newest`` block number and its bytes in use."""

    journal_id: int
    newest: int
    used_bytes: int


def candidates_in(folder: Path, leaving_out: Path) -> tuple[Candidate, ...]:
    """The files in ``folder`` and the folders in it that are called ``*.jnl`` or begin as a journal does, by path.

    Not looked at are what ``leaving_out`` holds, hidden files and folders, and pulls that were broken off (``*.part``).
    Folders behind links are not entered. A file that cannot be read is one only by its name.

    :raises UsageError: no folder. :raises InputOutputError: it cannot be listed.
    """
    if not folder.is_dir():
        raise UsageError("is no folder", where=str(folder), expected="a folder with journals in it")
    found: dict[str, Candidate] = {}
    for path in _files_in(folder.resolve(), leaving_out.resolve()):
        try:
            seen = path.stat()
        except OSError:
            continue  # a link to nowhere, or gone meanwhile
        if stat.S_ISREG(seen.st_mode) and (path.name.lower().endswith(ENDING) or _begins_as_one(path)):
            real = str(path.resolve())
            found[real] = Candidate(real, seen.st_size, seen.st_mtime_ns)
    return tuple(found[path] for path in sorted(found))


def _files_in(folder: Path, leaving_out: Path) -> Iterator[Path]:
    def fail(error: OSError) -> None:
        raise InputOutputError(f"cannot list: {error.strerror}", where=str(error.filename)) from error

    for place, folders, names in os.walk(folder, onerror=fail):
        here = Path(place)
        folders[:] = sorted(name for name in folders if not name.startswith(".") and here / name != leaving_out)
        for name in sorted(names):
            if not name.startswith(".") and not name.lower().endswith(UNFINISHED):
                yield here / name


def _begins_as_one(path: Path) -> bool:
    try:
        with path.open("rb") as handle:
            return handle.read(len(JOURNAL_MAGIC)) == JOURNAL_MAGIC
    except OSError:
        return False


def reach_of(path: str) -> Reach:
    """Which journal a file holds and how far it reaches, found by reading few of its blocks.

    :raises DamageError: nothing of a journal. :raises InputOutputError: it cannot be read.
    """
    with open_journal(Path(path)) as opened:
        tip = find_tip(opened, path)
        return Reach(tip.journal_id, tip.newest, min((tip.last + 1) * BLOCK_SIZE, opened.size))
