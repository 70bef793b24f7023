"""Write files aside and put them in place only when they are whole: one, or several together."""

from __future__ import annotations

import errno
import os
import weakref
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import BinaryIO

from offtake.errors import InputOutputError, UsageError

_TRIES = 1000
# What a file system without hard links (FAT, as on cards) answers to link().
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL)


@dataclass(frozen=True)
class _Whole:
    """A file that is written, and where it belongs."""

    aside: Path
    path: Path


class Together:
    """Files that become visible together: all of them when the block ends well, none when it raises.

    Then an older file stays as it was, also when an interrupt comes while they are put in place: what is in place
    already is taken back. An existing path is refused with :class:`~offtake.errors.UsageError` unless ``replace``;
    other troubles with the file system raise :class:`~offtake.errors.InputOutputError`.
    """

    def __init__(self, *, replace: bool = False) -> None:
        self._replace = replace
        self._whole: list[_Whole] = []
        # By the path that is put in place: where its older file is kept meanwhile.
        self._older: dict[Path, Path] = {}
        self._names: list[Path] = []
        # An interrupt may come while things are tidied up: what it leaves goes with this object.
        self._at_last = weakref.finalize(self, _remove, self._names)

    def __enter__(self) -> Together:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        try:
            if kind is None:
                self._put_in_place()
        finally:
            _remove(self._names)
            self._at_last.detach()

    @contextmanager
    def file(self, path: Path) -> Iterator[BinaryIO]:
        """Open a new file beside ``path``; it belongs to the others when this block ends well."""
        # Unlike the path's own method, this one takes a name that is too long.
        if os.path.isdir(path):
            raise UsageError("is a folder", where=str(path), expected="a file name")
        if any(one.path == path for one in self._whole) or (not self._replace and os.path.lexists(path)):
            raise _exists(path)
        with _writing(path):
            aside, handle = self._open_aside(path)
            with handle:
                yield handle
                handle.flush()
                os.fsync(handle.fileno())
        self._whole.append(_Whole(aside, path))

    def _open_aside(self, path: Path) -> tuple[Path, BinaryIO]:
        for _ in range(_TRIES):
            aside = self._free_name(path, "part")
            with suppress(FileExistsError):
                return aside, aside.open("xb")
            self._names.remove(aside)
        raise FileExistsError(errno.EEXIST, f"{_TRIES} unfinished files are in the way", str(path.parent))

    def _free_name(self, path: Path, ending: str) -> Path:
        """A name in the folder of ``path`` that no other process of this machine picks; it is listed before it is used,
        so that nothing can be left over."""
        number = 0
        while os.path.lexists(name := path.parent / f".offtake-{os.getpid()}-{number}.{ending}"):
            number += 1
        self._names.append(name)
        return name

    def _put_in_place(self) -> None:
        try:
            for one in self._whole:
                with _writing(one.path):
                    self._put(one)
        except BaseException:
            self._take_back()
            raise

    def _put(self, one: _Whole) -> None:
        if self._replace:
            if os.path.lexists(one.path):
                self._keep_older(one.path)
            os.replace(one.aside, one.path)
            return
        try:
            # Unlike rename, link refuses when someone made the path in the meantime.
            os.link(one.aside, one.path)
        except FileExistsError as error:
            raise _exists(one.path) from error
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            if os.path.lexists(one.path):
                raise _exists(one.path) from error
            os.rename(one.aside, one.path)

    def _keep_older(self, path: Path) -> None:
        older = self._free_name(path, "older")
        self._older[path] = older
        try:
            os.link(path, older, follow_symlinks=False)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            os.rename(path, older)

    def _take_back(self) -> None:
        """Undo what was put in place. The file system itself says what was: an interrupt may have come anywhere."""
        for one in self._whole:
            older = self._older.get(one.path)
            with suppress(OSError):
                if older is None:
                    mine = not one.aside.exists() or (one.path.exists() and one.aside.samefile(one.path))
                    if mine:
                        one.path.unlink()
                elif os.path.lexists(older):
                    os.replace(older, one.path)


@contextmanager
def write_aside(path: Path, *, replace: bool = False, among: Together | None = None) -> Iterator[BinaryIO]:
    """Open a new file beside ``path``; when the block ends well, it becomes ``path``.

    When the block raises, nothing is left behind and an older ``path`` stays as it was. An existing ``path``
    is refused with :class:`~offtake.errors.UsageError` unless ``replace``; other troubles with the file
    system raise :class:`~offtake.errors.InputOutputError`. A file ``among`` others becomes ``path`` when they do, and
    replaces an older one if they do.
    """
    if among is not None:
        with among.file(path) as handle:
            yield handle
        return
    with Together(replace=replace) as alone, alone.file(path) as handle:
        yield handle


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise InputOutputError(f"cannot write: {error.strerror or error}", where=str(path)) from error


def _remove(names: list[Path]) -> None:
    for name in names:
        # Gone already where all went well by renaming.
        if os.path.lexists(name):
            with suppress(OSError):
                name.unlink()


def _exists(path: Path) -> UsageError:
    return UsageError("exists already", where=str(path), expected="a new name, or leave to replace it")
