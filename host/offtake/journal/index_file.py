"""The index beside a journal's file: ``FILE.index``, an Arrow IPC file of one row.

It is a convenience that can be lost at any time. One that is stale, damaged, of another version or made up counts as
none, and where none can be written there is none.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import zlib
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.order import EXTENT
from offtake.journal.index import JournalIndex, restored, state_of
from offtake.journal.kept import whole
from offtake.journal.ladder import RUNG
from offtake.journal.source import ByteSource

INDEX_VERSION = 2
EXTENTS_MAX = 2**20
"""A file whose blocks lie in more pieces gets no index: no journal does that by itself."""

TEXT_MAX = 4 * 2**20
"""What is in an index beside the places, as text; that of some ten thousand runs. Read, it takes 25 times the room."""

_RUNS_MAX = 65_536
_TOLD_WITHIN = 4096
# How an Arrow IPC file begins and ends.
_ARROW = b"ARROW1"
_STRANGE = (OSError, ValueError, TypeError, KeyError, IndexError, OverflowError, RecursionError)
_VERSION_KEY = b"offtake_journal_index"
_SEEN_KEY = b"journal"


def index_path(path: Path) -> Path:
    """Where the index of the journal at ``path`` lies."""
    return path.with_name(path.name + ".index")


def load_index(path: Path, source: ByteSource) -> JournalIndex | None:
    """The index of the journal at ``path``, which is ``source``; None where there is none that fits it. Raises only
    what ``source.read`` raises."""
    import pyarrow as pa  # type: ignore[import-untyped]

    from offtake.journal.index_arrow import ArrowIndex

    limits = _Limits.of(source.size)
    # Whatever an index holds that no index can hold, and whatever is wrong with its file, makes it none.
    with suppress(*_STRANGE, pa.ArrowException):
        status = index_path(path).stat()
        if not stat.S_ISREG(status.st_mode) or status.st_size > limits.file:
            return None
        with index_path(path).open("rb") as file:
            found = ArrowIndex(file.read(limits.file))
        if found.metadata[_VERSION_KEY] != str(INDEX_VERSION).encode():
            return None
        seen = json.loads(found.metadata[_SEEN_KEY])
        if not _is_of(seen, path, source):
            return None
        contents, extents, rungs = found.contents(limits.text)
        if limits.hold(contents, extents, rungs) and _crc_of(contents, extents, rungs) == seen["index_crc"]:
            return restored(json.loads(contents), extents, rungs)
    return None


def is_obstructed(path: Path) -> bool:
    """Whether something that is no index bears the name of that of the journal at ``path``: it is never overwritten."""
    with suppress(OSError):
        return not _is_free(index_path(path))
    return False


def save_index(index: JournalIndex, path: Path, source: ByteSource, since: os.stat_result) -> bool:
    """Write the index of the journal at ``path``, which is ``source``, aside and then into its place.

    Returns whether that was done. It is not, and nothing is said, where the journal is no longer as it was ``since``,
    where the folder cannot be written to or something else bears the index's name, or where the index would be too
    large. Raises only what ``source.read`` raises.
    """
    target = index_path(path)
    aside = target.with_name(f"{target.name}.{os.getpid()}.part")
    try:
        now = path.stat()
        contents = json.dumps(state_of(index), separators=(",", ":")).encode()
        fits = _Limits.of(source.size).hold(contents, index.order.extents, index.rungs)
        if _state_of(now) != _state_of(since) or not fits or not _is_free(target):
            return False
        _write(index, contents, aside, _seen_now(index, now, source))
        os.replace(aside, target)
    except OSError:
        return False
    finally:
        with suppress(OSError):
            aside.unlink()
    return True


def _is_free(target: Path) -> bool:
    """Whether nothing is there, or an index, even a damaged one or another version's, which tells its kind at both
    ends."""
    try:
        status = target.lstat()
    except FileNotFoundError:
        return True
    if not stat.S_ISREG(status.st_mode):
        return False
    with target.open("rb") as file:
        head = file.read(_TOLD_WITHIN)
        file.seek(max(0, status.st_size - _TOLD_WITHIN))
        tail = file.read(_TOLD_WITHIN)
    begins = head.startswith(_ARROW) and _VERSION_KEY in head
    return not status.st_size or begins or (tail.endswith(_ARROW) and _VERSION_KEY in tail)


def _write(index: JournalIndex, contents: bytes, path: Path, seen: dict[str, Any]) -> None:
    from offtake.journal.index_arrow import write_arrow

    extents, rungs = index.order.extents, index.rungs
    seen = {**seen, "index_crc": _crc_of(contents, extents, rungs)}
    metadata = {_VERSION_KEY: str(INDEX_VERSION).encode(), _SEEN_KEY: json.dumps(seen).encode()}
    with path.open("xb") as file:
        write_arrow(file, metadata, contents, extents, rungs)
        file.flush()
        os.fsync(file.fileno())


@dataclass(frozen=True)
class _Limits:
    """How large an index can be at the most: one that is made up must not take more memory than the journal's own."""

    text: int
    extents: int
    rungs: int

    @classmethod
    def of(cls, size: int) -> _Limits:
        """Those of a journal of ``size`` bytes. A damaged block may be taken for several numbers."""
        blocks = size // BLOCK_SIZE + 1
        return cls(
            text=min(TEXT_MAX, 2**18 + 1024 * blocks),
            extents=min(EXTENTS_MAX, 8 * blocks),
            rungs=min(_RUNS_MAX, 8 * blocks) + blocks // 64,
        )

    @property
    def file(self) -> int:
        """Bytes of its file."""
        return 2**16 + self.text + self.extents * EXTENT.itemsize + self.rungs * RUNG.itemsize

    def hold(self, contents: bytes, extents: NDArray[np.void], rungs: NDArray[np.void]) -> bool:
        """Whether an index is within them."""
        return len(contents) <= self.text and extents.size <= self.extents and rungs.size <= self.rungs


def _state_of(status: os.stat_result) -> dict[str, int]:
    """What changes with a file, whoever writes to it. That of a file in its place may be made to have the old size and
    time of writing (a copy that keeps times does), but not this time of changing or this node as well."""
    return {
        "size": status.st_size,
        "mtime_ns": status.st_mtime_ns,
        "ctime_ns": status.st_ctime_ns,
        "inode": status.st_ino,
    }


def _seen_now(index: JournalIndex, status: os.stat_result, source: ByteSource) -> dict[str, Any]:
    """By what it is told whether the journal is still the one that the index is of."""
    last = index.last_position()
    return {**_state_of(status), "last_position": last, "blocks": _blocks_around(source, last)}


def _is_of(seen: Any, path: Path, source: ByteSource) -> bool:
    status = path.stat()
    if any(seen[name] != value for name, value in _state_of(status).items()) or source.size != status.st_size:
        return False
    return bool(_blocks_around(source, whole(seen["last_position"])) == seen["blocks"])


def _blocks_around(source: ByteSource, last: int) -> list[str]:
    """Fingerprints of the header, of the last block that was written, and of those that a logger goes on with: the one
    behind it, and the first of the next lap."""
    positions = (0, last, last + 1, 1)
    return [hashlib.sha256(source.read(at * BLOCK_SIZE, BLOCK_SIZE)).hexdigest() for at in positions]


def _crc_of(contents: bytes, *arrays: NDArray[np.void]) -> int:
    """Of everything that an index holds: it may be made up, but not damaged."""
    crc = zlib.crc32(contents)
    for rows in arrays:
        crc = zlib.crc32(rows.tobytes(), crc)
    return crc
