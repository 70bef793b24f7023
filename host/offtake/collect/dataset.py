"""A dataset's folder: who may write to it, and how a journal's parts get their places in it."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from offtake.collect.manifest import Begun, JournalEntry, Manifest, write_whole
from offtake.errors import InputOutputError, UsageError

INSIDE = "_offtake"
"""The folder that is ours; readers of datasets pass over names that begin like this."""
_MANIFEST = "manifest.jsonl"
_INCOMING = "incoming"
_READY = "ready"
_TOKEN = "token"


class Dataset:
    """The dataset in ``folder``, which this program alone writes to; made by :func:`opened_dataset`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._inside = folder / INSIDE
        self.manifest = Manifest(self._inside / _MANIFEST)
        # It says to workers elsewhere that they see this folder and no other of its name.
        self.token = f"{os.getpid()} {(self._inside / 'lock').stat().st_ino} {len(self.manifest.sources)}"
        write_whole(self._inside / _TOKEN, self.token.encode())
        self._clear(_INCOMING)
        # What waits there may still be of use.
        (self._inside / _READY).mkdir(exist_ok=True)
        for begun in list(self.manifest.begun.values()):
            self._put(begun)

    def lacks(self, journal: JournalEntry) -> tuple[str, ...]:
        """The parts of a journal that are not where they belong."""
        return tuple(part.path for part in journal.parts if _size(self.folder / part.path) != part.size_bytes)

    def take(self, journal: JournalEntry, ready: str) -> bool:
        """Put a journal's parts, which lie in :func:`ready_folder`, in place of those that it had before. False where
        somebody took them away meanwhile: the journal is to be taken anew then."""
        before = self.manifest.journals.get(journal.journal_id)
        kept = {part.path for part in journal.parts}
        stale = tuple(part.path for part in before.parts if part.path not in kept) if before else ()
        begun = Begun(journal, ready, stale)
        self.manifest.begin(begun)
        return self._put(begun)

    def tell_set_aside(self) -> None:
        """Write the list of what was set aside, for people."""
        aside = [
            {"path": one.path, "size": one.size, "reason": one.reason}
            for one in self.manifest.sources.values() if one.state == "set_aside"
        ]  # fmt: skip
        text = json.dumps({"schema": "offtake.collect_set_aside/1", "set_aside": aside}, indent=1) + "\n"
        with _writing(self._inside):
            write_whole(self._inside / "set_aside.json", text.encode())

    def clear(self) -> None:
        """Remove what was made and is of no use any more."""
        self._clear(_INCOMING)
        self._clear(_READY)

    def _put(self, begun: Begun) -> bool:
        """Give each part its place. Done again after an interruption, it goes on where that one was."""
        ready = self._inside / _READY / begun.ready
        with _writing(self.folder):
            for part in begun.journal.parts:
                place = self.folder / part.path
                place.parent.mkdir(parents=True, exist_ok=True)
                with suppress(FileNotFoundError):
                    os.replace(ready / part.path, place)
            for path in begun.stale:
                (self.folder / path).unlink(missing_ok=True)
                self._drop_empty((self.folder / path).parent)
            if self.lacks(begun.journal):
                self.manifest.forget(begun.journal.journal_id)
                return False
            _to_disk({(self.folder / part.path).parent for part in begun.journal.parts})
        self.manifest.end(begun.journal.journal_id)
        shutil.rmtree(ready, ignore_errors=True)
        return True

    def _drop_empty(self, folder: Path) -> None:
        while folder != self.folder:
            try:
                folder.rmdir()
            except OSError:
                return
            folder = folder.parent

    def _clear(self, name: str) -> None:
        with _writing(self._inside):
            shutil.rmtree(self._inside / name, ignore_errors=True)
            (self._inside / name).mkdir(exist_ok=True)


@contextmanager
def opened_dataset(folder: Path) -> Iterator[Dataset]:
    """The dataset in ``folder``, which is made if it is not there; nobody else may write to it meanwhile.

    What a program that was killed had begun is finished first.

    :raises UsageError: something else is in the folder.
    :raises InputOutputError: another program is at work in it, or it cannot be used.
    """
    inside = folder / INSIDE
    if folder.exists() and not folder.is_dir():
        raise UsageError("is no folder", where=str(folder), expected="a folder for the dataset")
    if folder.is_dir() and not inside.is_dir() and any(folder.iterdir()):
        raise UsageError("has something else in it", where=str(folder), expected="a new folder, or a dataset")
    with _writing(folder):
        inside.mkdir(parents=True, exist_ok=True)
        with (inside / "lock").open("a") as lock:
            # The system lets go of it when this process ends, in whatever way.
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise InputOutputError(
                    "another `offtake collect` is at work on this dataset", where=str(folder), expected="one at a time"
                ) from error
            yield Dataset(folder)


def is_dataset(folder: Path) -> bool:
    """Whether there is a dataset in ``folder``, maybe one with nothing in it."""
    return (folder / INSIDE / _MANIFEST).is_file()


def sees(folder: str, token: str) -> bool:
    """Whether this process sees the dataset that whoever has its token writes to."""
    try:
        return (Path(folder) / INSIDE / _TOKEN).read_text() == token
    except OSError:
        return False


def incoming_folder(folder: str, name: str) -> Path:
    """Where parts are written that are not whole yet."""
    return Path(folder) / INSIDE / _INCOMING / name


def ready_folder(folder: str, name: str) -> Path:
    """Where a journal's parts lie when all are whole, each under its path in the dataset."""
    return Path(folder) / INSIDE / _READY / name


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return -1


def _to_disk(folders: set[Path]) -> None:
    for folder in folders:
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _writing(place: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        where = str(error.filename or place)
        raise InputOutputError(f"cannot write: {error.strerror or error}", where=where) from error
