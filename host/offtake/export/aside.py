"""Write a file aside and put it in place only when it is whole."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from offtake.errors import InputOutputError, UsageError

_TRIES = 1000
# What a file system without hard links (FAT, as on cards) answers to link().
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL)


@contextmanager
def write_aside(path: Path, *, replace: bool = False) -> Iterator[BinaryIO]:
    """Open a new file beside ``path``; when the block ends well, it becomes ``path``.

    When the block raises, nothing is left behind and an older ``path`` stays as it was. An existing ``path``
    is refused with :class:`~offtake.errors.UsageError` unless ``replace``; other troubles with the file
    system raise :class:`~offtake.errors.InputOutputError`.
    """
    # Unlike the path's own method, this one takes a name that is too long.
    if os.path.isdir(path):
        raise UsageError("is a folder", where=str(path), expected="a file name")
    if not replace and os.path.lexists(path):
        raise _exists(path)
    try:
        aside, handle = _open_aside(path)
    except OSError as error:
        raise InputOutputError(f"cannot write: {error.strerror}", where=str(path)) from error
    try:
        with handle:
            yield handle
            handle.flush()
            os.fsync(handle.fileno())
        _put_in_place(aside, path, replace)
    except OSError as error:
        raise InputOutputError(f"cannot write: {error.strerror or error}", where=str(path)) from error
    finally:
        # Gone already where all went well by renaming.
        with suppress(OSError):
            aside.unlink()


def _open_aside(path: Path) -> tuple[Path, BinaryIO]:
    """Create a file in the folder of ``path``, under a name that no other process of this machine picks."""
    for number in range(_TRIES):
        aside = path.parent / f".offtake-{os.getpid()}-{number}.part"
        with suppress(FileExistsError):
            return aside, aside.open("xb")
    raise FileExistsError(errno.EEXIST, f"{_TRIES} unfinished files are in the way", str(path.parent))


def _put_in_place(aside: Path, path: Path, replace: bool) -> None:
    if replace:
        os.replace(aside, path)
        return
    try:
        # Unlike rename, link refuses when someone made `path` in the meantime.
        os.link(aside, path)
    except FileExistsError as error:
        raise _exists(path) from error
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(path):
            raise _exists(path) from error
        os.rename(aside, path)


def _exists(path: Path) -> UsageError:
    return UsageError("exists already", where=str(path), expected="a new name, or leave to replace it")
