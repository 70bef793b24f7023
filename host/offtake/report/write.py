"""The report's files."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from offtake.errors import InputOutputError, UsageError
from offtake.export.aside import write_aside
from offtake.report.build import Report
from offtake.report.picture import Picture


def write_page(report: Report, path: Path, *, replace: bool = False) -> int:
    """Write the page to ``path`` and return its size in bytes; raises as
    :func:`offtake.export.aside.write_aside` does."""
    with write_aside(path, replace=replace) as handle:
        return handle.write(report.html)


def write_pictures(report: Report, folder: Path, *, replace: bool = False) -> tuple[Path, ...]:
    """Write the report's pictures; as :func:`write_drawn`."""
    return write_drawn(report.pictures, folder, replace=replace)


def write_drawn(pictures: Sequence[Picture], folder: Path, *, replace: bool = False) -> tuple[Path, ...]:
    """Write every picture that has something to show as a PNG file into ``folder``, which is made where it is missing.

    File names are ours: nothing of them comes from a log. Raises :class:`~offtake.errors.UsageError` for one that
    exists and no ``replace`` (then none is written) and :class:`~offtake.errors.InputOutputError` when the disk fails.
    """
    drawn = [(picture, folder / f"{picture.name}.png") for picture in pictures if picture.draw is not None]
    for _, path in drawn:
        if not replace and os.path.lexists(path):
            raise UsageError("exists already", where=str(path), expected="another folder, or --replace")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputOutputError(f"cannot make the folder: {error.strerror}", where=str(folder)) from error
    for picture, path in drawn:
        with write_aside(path, replace=replace) as handle:
            handle.write(picture.png())
    return tuple(path for _, path in drawn)
