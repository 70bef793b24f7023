"""Writes what salvage recovers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from offtake.export.raw import write_raw
from offtake.jobs.places import require_apart
from offtake.journal.salvage import Salvage
from offtake.journal.stream import salvaged_chunks


def write_recovered(found: Salvage, path: Path, source: Path, *, replace: bool = False) -> int:
    """Writes the receiver's bytes of every run, in order, to ``path``; returns their number. Errors as write_raw, and
    UsageError when ``path`` is ``source``, from which they come."""
    require_apart(source, [path])
    return write_raw(_bytes(found), path, replace=replace)


def _bytes(found: Salvage) -> Iterator[bytes]:
    for info in found.runs():
        for chunk in salvaged_chunks(found, info.run):
            yield chunk.data
