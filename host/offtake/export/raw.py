"""The receiver's bytes as they came."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from offtake.export.aside import Together, write_aside


def write_raw(chunks: Iterable[bytes], path: Path, *, replace: bool = False, among: Together | None = None) -> int:
    """Write ``chunks`` one after the other to ``path`` and return the number of bytes.

    Raises as :func:`offtake.export.aside.write_aside` does.
    """
    size = 0
    with write_aside(path, replace=replace, among=among) as handle:
        for chunk in chunks:
            size += handle.write(chunk)
    return size
