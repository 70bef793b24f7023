"""Write files aside and put them in place only when they are whole: one, or several together."""

from __future__ import annotations

import errno
import os
import weakref
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, cast

from offtake.errors import InputOutputError, UsageError

_TRIES = 1000
# What a file system without hard links (FAT, as on cards) answers to link().
_NO_LINKS = (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EINVAL)


@dataclass(frozen=True)
class _Whole:
    """A file that is written, and where it belongs."""

    aside: Path
    path: Path


@dataclass(slots=True)
class _Files:
    """What is written, and what may be left on the disk of it."""

    whole: list[_Whole] = field(default_factory=list)
    names: list[Path] = field(default_factory=list)
    # By the path that is put in place: where its older file is kept meanwhile.
    older: dict[Path, Path] = field(default_factory=dict)
    placing: bool = False
    # Why an older file could not be put back; it stays where it is kept.
    stuck: dict[Path, OSError] = field(default_factory=dict)


class _Counted:
    """A file that tells of what is written to it."""

    def __init__(self, handle: BinaryIO, on_write: Callable[[int], None]) -> None:
        self._handle = handle
        self._on_write = on_write

    def write(self, data: bytes) -> int:
        """As the file's."""
        self._on_write(len(data))
        return self._handle.write(data)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._handle, name)


class Together:
    """Files that become visible together: all of them when the block ends well, none when it raises.

    Then an older file stays as it was, also when an interrupt comes while they are put in place: what is in place
    already is taken back. An older file that cannot be put back is never removed: the error tells where it is. An
    existing path is refused with :class:`~offtake.errors.UsageError` unless ``replace``; other troubles with the file
    system raise :class:`~offtake.errors.InputOutputError`.
    """

    def __init__(self, *, replace: bool = False) -> None:
        # Is told how many bytes go into the files that are opened while it is set.
        self.on_write: Callable[[int], None] | None = None
        self._replace = replace
        self._files = _Files()
        # An interrupt may come while things are tidied up: what it leaves goes with this object.
        self._at_last = weakref.finalize(self, _tidy, self._files)

    def __enter__(self) -> Together:
        return self

    def __exit__(self, kind: type[BaseException] | None, _: BaseException | None, __: TracebackType | None) -> None:
        try:
            if kind is None:
                self._put_in_place()
        finally:
            try:
                _tidy(self._files)
            finally:
                # After an interrupt of the tidying it goes on where it was; there is nothing left to do otherwise.
                _tidy(self._files)
            self._at_last.detach()
            if self._files.stuck:
                raise _not_put_back(self._files)

    @contextmanager
    def file(self, path: Path) -> Iterator[BinaryIO]:
        """Open a new file beside ``path``; it belongs to the others when this block ends well."""
        # Unlike the path's own method, this one takes a name that is too long.
        if os.path.isdir(path):
            raise UsageError("is a folder", where=str(path), expected="a file name")
        if any(one.path == path for one in self._files.whole) or (not self._replace and os.path.lexists(path)):
            raise _exists(path)
        with _writing(path):
            aside, handle = self._open_aside(path)
            with handle:
                yield handle if self.on_write is None else cast(BinaryIO, _Counted(handle, self.on_write))
                handle.flush()
                os.fsync(handle.fileno())
        self._files.whole.append(_Whole(aside, path))

    def _open_aside(self, path: Path) -> tuple[Path, BinaryIO]:
        for _ in range(_TRIES):
            aside = self._free_name(path, "part")
            with suppress(FileExistsError):
                return aside, aside.open("xb")
            self._files.names.remove(aside)
        raise FileExistsError(errno.EEXIST, f"{_TRIES} unfinished files are in the way", str(path.parent))

    def _free_name(self, path: Path, ending: str) -> Path:
        """A name in the folder of ``path`` that no other process of this machine picks; it is listed before it is used,
        so that nothing can be left over."""
        number = 0
        while os.path.lexists(name := path.parent / f".offtake-{os.getpid()}-{number}.{ending}"):
            number += 1
        self._files.names.append(name)
        return name

    def _put_in_place(self) -> None:
        self._files.placing = True
        for one in self._files.whole:
            with _writing(one.path):
                self._put(one)
        self._files.placing = False

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
        self._files.older[path] = older
        try:
            os.link(path, older, follow_symlinks=False)
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            os.rename(path, older)


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


def cannot_write(path: Path, error: OSError) -> InputOutputError:
    """What is said when ``path`` could not be written: of a missing folder, that it is missing."""
    why = _folder_wrong(path) if error.errno in (errno.ENOENT, errno.ENOTDIR) else None
    return InputOutputError(f"cannot write: {why or error.strerror or error}", where=str(path))


def require_folder(path: Path) -> None:
    """InputOutputError unless the folder that ``path`` is to be written in is there: said before long work is done."""
    why = _folder_wrong(path)
    if why:
        raise InputOutputError(f"cannot write: {why}", where=str(path))


def _folder_wrong(path: Path) -> str | None:
    folder = path.parent
    if os.path.isdir(folder):
        return None
    if os.path.lexists(folder):
        return f"{folder} is no folder"
    return f"the folder {folder} does not exist"


@contextmanager
def _writing(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise cannot_write(path, error) from error


def _tidy(files: _Files) -> None:
    """Take back what was put in place unless all was, and remove what was written beside. An interrupt may come
    anywhere: done again, it goes on where it was."""
    while files.placing and files.whole:
        _take_back(files, files.whole[-1])
        files.whole.pop()
    files.placing = False
    kept = {older: path for path, older in files.older.items()}
    while files.names:
        name = files.names[-1]
        # Gone already where all went well by renaming. Of an older file it may be the only version there is.
        if os.path.lexists(name) and (name not in kept or os.path.lexists(kept[name])):
            with suppress(OSError):
                name.unlink()
        files.names.pop()


def _take_back(files: _Files, one: _Whole) -> None:
    """Undo what was put in place. The file system itself says what was: an interrupt may have come anywhere."""
    older = files.older.get(one.path)
    if older is None:
        with suppress(OSError):
            mine = not one.aside.exists() or (one.path.exists() and one.aside.samefile(one.path))
            if mine:
                one.path.unlink()
    elif os.path.lexists(older):
        try:
            os.replace(older, one.path)
        except OSError as error:
            if older in files.names:
                files.names.remove(older)
            files.stuck[one.path] = error


def _not_put_back(files: _Files) -> InputOutputError:
    path, error = next(iter(files.stuck.items()))
    kept = ", ".join(f"that of {one.name} as {files.older[one].name}" for one in sorted(files.stuck))
    return InputOutputError(
        f"cannot put the older file back: {error.strerror or error}; kept beside it: {kept}", where=str(path)
    )


def _exists(path: Path) -> UsageError:
    return UsageError("exists already", where=str(path), expected="a new name, or leave to replace it")
