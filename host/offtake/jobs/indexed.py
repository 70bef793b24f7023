"""A journal with its index: the one that lies beside its file, or one made now."""

from __future__ import annotations

import os
from pathlib import Path

from offtake.card import OpenedJournal
from offtake.journal.index import JournalIndex, index_of
from offtake.journal.index_file import load_index, save_index
from offtake.journal.salvage import Salvage, salvage


def indexed(source: Path, opened: OpenedJournal) -> Salvage:
    """The journal ``opened`` from ``source``, salvaged, with an ``index``.

    Where a fresh index lies beside the file, the file is not passed over; else it is, and an index is left beside it
    for the next time, if that can be done. A card, its image and a card's folder get none. Raises InputOutputError
    where the medium fails.
    """
    # Who opens a folder or an image would look for the index elsewhere, and a card's folder is not ours to write to.
    if opened.kind != "file":
        return _with_index(salvage(opened, str(source)))
    since = os.stat(source)
    index = load_index(source, opened)
    if index is not None:
        return salvage(opened, str(source), index)
    found = _with_index(salvage(opened, str(source)))
    # What holds no run is no journal yet, or none at all.
    if found.index is not None and found.runs() and not opened.unreadable:
        save_index(found.index, source, opened, since)
    return found


def _with_index(found: Salvage) -> Salvage:
    found.index = index_of(found)
    return found


def keep_line(found: Salvage, source: Path, opened: OpenedJournal, run: int, heard: str, text: str) -> bool:
    """Keep the time line of ``run``, which someone fitted to it as it was ``heard``, in the index of ``found`` and,
    where one lies beside the file, there too; returns whether it does."""
    if found.index is None:
        return False
    found.index = found.index.with_line(run, heard, text)
    if opened.kind != "file":
        return False
    since = os.stat(source)
    kept: JournalIndex | None = load_index(source, opened)
    return kept is not None and save_index(kept.with_line(run, heard, text), source, opened, since)
