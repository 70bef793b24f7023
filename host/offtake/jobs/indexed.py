"""A journal with its index: the one that lies beside its file, or one made now."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from offtake.card import JOURNAL_FILE_NAME, OpenedJournal, mounted_as
from offtake.errors import InputOutputError
from offtake.journal.index import JournalIndex, index_of, tell_the_same
from offtake.journal.index_file import index_path, is_obstructed, load_index, save_index
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.stale import StaleIndexError

_CARD_FILE_SYSTEMS = ("vfat", "msdos", "exfat")
_Done = TypeVar("_Done")


def with_index(source: Path, opened: OpenedJournal, work: Callable[[Salvage], _Done], *, whole: bool) -> _Done:
    """Do ``work`` with the journal ``opened`` from ``source``; the same comes of it whether or not an index lies beside
    the file.

    Whose work reads the ``whole`` file anyway believes no stored index. Other work does, until it comes upon a block
    that is not what the index says: then it is done again from its beginning, with a new index. Raises what ``work``
    does, and InputOutputError where the medium fails.
    """
    if not whole:
        try:
            return work(indexed(source, opened))
        except StaleIndexError:
            # What was done is dropped here, not kept for the error's sake while the rest is done again.
            pass
    return work(indexed(source, opened, believed=False))


def indexed(source: Path, opened: OpenedJournal, *, believed: bool = True) -> Salvage:
    """The journal ``opened`` from ``source``, salvaged, with an ``index``.

    Where a fresh index lies beside the file and is ``believed``, the file is not passed over; else it is, and an index
    is left beside it for the next time, if that can be done. A card, its image and a card's folder get none. Raises
    InputOutputError where the medium fails.
    """
    if not _may_have_index(source, opened):
        return _with_index(salvage(opened, str(source), ladders=True))
    since = os.stat(source)
    stored = load_index(source, opened)
    if stored is not None and believed:
        return salvage(opened, str(source), stored)
    found = _with_index(salvage(opened, str(source), ladders=True))
    assert found.index is not None
    if stored is not None and tell_the_same(stored, found.index):
        found.index = replace(found.index, lines=stored.lines)
    # What holds no run is no journal yet, or none at all.
    elif found.runs() and not opened.unreadable:
        save_index(found.index, source, opened, since)
    return found


def index_notes(source: Path, opened: OpenedJournal) -> tuple[str, ...]:
    """What is to be said of the index of the journal ``opened`` from ``source``, in sentences: that it cannot be kept
    since something else bears its name."""
    if not _may_have_index(source, opened) or not is_obstructed(source) or load_index(source, opened) is not None:
        return ()
    return (f"{index_path(source).name} is not an index of this program; left alone, and no index is kept.",)


def _may_have_index(source: Path, opened: OpenedJournal) -> bool:
    """Whether ``source`` is a file that is on no card: there the logger's file stays alone. A link is where it leads,
    and where it lies."""
    # Who opens a folder or an image would look for the index elsewhere.
    if opened.kind != "file":
        return False
    try:
        led = source.resolve(strict=True)
        if JOURNAL_FILE_NAME in (source.name.upper(), led.name.upper()):
            return False
        return not any(mounted_as(folder).file_system in _CARD_FILE_SYSTEMS for folder in {source.parent, led.parent})
    except (OSError, InputOutputError):
        return False


def _with_index(found: Salvage) -> Salvage:
    found.index = index_of(found)
    return found


def keep_line(found: Salvage, source: Path, opened: OpenedJournal, run: int, heard: str, text: str) -> bool:
    """Keep the time line of ``run``, which someone fitted to it as it was ``heard``, in the index of ``found`` and,
    where one lies beside the file, there too; returns whether it does."""
    if found.index is None:
        return False
    found.index = found.index.with_line(run, heard, text)
    if opened.unreadable or not _may_have_index(source, opened):
        return False
    since = os.stat(source)
    kept: JournalIndex | None = load_index(source, opened)
    return kept is not None and save_index(kept.with_line(run, heard, text), source, opened, since)
