"""Writes what salvage recovers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from offtake.export.raw import write_raw
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.places import require_apart
from offtake.journal.salvage import Salvage
from offtake.journal.stream import salvaged_windows
from offtake.progress import QUIET, Watch


def write_recovered(found: Salvage, path: Path, source: Path, *, replace: bool = False, watch: Watch = QUIET) -> int:
    """Writes the receiver's bytes of every run, in order, to ``path``; returns their number. Errors as write_raw, and
    UsageError when ``path`` is ``source``, from which they come."""
    require_apart(source, [path])
    return write_raw(_bytes(found, watch), path, replace=replace)


def _bytes(found: Salvage, watch: Watch) -> Iterator[bytes]:
    for info in found.runs():
        watch.phase(f"run {info.run}", (info.last_block - info.first_block + 1) * BLOCK_SIZE)
        for window in salvaged_windows(found, info.run):
            yield window.data
