"""Opens a journal wherever it is: a plain file, a mounted card's folder, a card image, a card's device node."""

from __future__ import annotations

import errno
import os
import stat
from bisect import bisect_right
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Protocol

from offtake.card.locate import JOURNAL_FILE_NAME, Extent, LocatedFile, locate_file
from offtake.card.volume import SECTOR_BYTES, find_volume, open_medium
from offtake.errors import DamageError, InputOutputError, UsageError

_JOURNAL_MAGIC = b"OFTKJNL1"
"""How a journal file begins (shared_spec/block.toml, journal_header); tells it from a card image."""
_PULLED = ".jnl"
"""How the names of journals end that were pulled off their cards;"""
_NAMED = 3
"""of so many the names are told where a folder is no card."""
_BOOT_SIGNATURE = b"\x55\xaa"
_MEDIUM_ERRORS = (errno.EIO, errno.EBADMSG, errno.ENODATA, errno.EREMOTEIO)


class JournalReader(Protocol):
    """What reading needs: bytes by offset, and the size."""

    size: int

    def read(self, offset: int, length: int) -> bytes:
        """Bytes from ``offset`` on; fewer than ``length`` only at the end."""


class OpenedJournal:
    """A journal's bytes on some medium. Use it as a context manager.

    ``size`` is in bytes; ``kind`` is ``file``, ``folder``, ``image`` or ``device``; ``description`` is a line for
    people. Sectors that the medium refuses to return read as zeros, which pass for no block, and their offsets in
    the journal are collected in ``unreadable``, so that everything else is still read. ``on_read`` is told how many
    bytes each reading gave.
    """

    def __init__(self, medium: BinaryIO, extents: tuple[Extent, ...], size: int, kind: str, description: str) -> None:
        self._medium = medium
        self._extents = extents
        self._starts: list[int] = []
        at = 0
        for extent in extents:
            self._starts.append(at)
            at += extent.sectors * SECTOR_BYTES
        self.size = size
        self.kind = kind
        self.description = description
        self.unreadable: list[int] = []
        self.on_read: Callable[[int], None] | None = None

    def __enter__(self) -> OpenedJournal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Closes the medium."""
        self._medium.close()

    def read(self, offset: int, length: int) -> bytes:
        """Bytes of the journal from ``offset`` on; fewer than ``length`` only at the journal's or medium's end.

        :raises UsageError: a negative offset or length.
        :raises InputOutputError: the medium is gone, or fails in another way than for single sectors.
        """
        if offset < 0 or length < 0:
            raise UsageError(f"cannot read {length} bytes at {offset}", expected="numbers from 0 on")
        end = min(offset + length, self.size)
        pieces = []
        while offset < end:
            index = bisect_right(self._starts, offset) - 1
            within = offset - self._starts[index]
            extent = self._extents[index]
            count = min(end - offset, extent.sectors * SECTOR_BYTES - within)
            piece = self._pread(extent.first_sector * SECTOR_BYTES + within, count, offset)
            pieces.append(piece)
            if len(piece) < count:
                break
            offset += count
        data = b"".join(pieces)
        if self.on_read is not None:
            self.on_read(len(data))
        return data

    def _pread(self, position: int, count: int, offset: int) -> bytes:
        """Reads from the medium; after a refusal sector by sector."""
        try:
            return self._pread_all(position, count)
        except OSError as error:
            if error.errno not in _MEDIUM_ERRORS:
                raise self._failure(position, error) from error
        pieces = []
        done = 0
        while done < count:
            size = min(SECTOR_BYTES - (position + done) % SECTOR_BYTES, count - done)
            try:
                piece = self._pread_all(position + done, size)
            except OSError as error:
                if error.errno not in _MEDIUM_ERRORS:
                    raise self._failure(position + done, error) from error
                piece = bytes(size)
                bad = (offset + done) // SECTOR_BYTES * SECTOR_BYTES
                if bad not in self.unreadable:
                    self.unreadable.append(bad)
            pieces.append(piece)
            if len(piece) < size:
                break
            done += size
        return b"".join(pieces)

    def _pread_all(self, position: int, count: int) -> bytes:
        # One call returns at most about 2 GiB, and a device may return less than asked in the middle.
        pieces = []
        while count > 0:
            piece = os.pread(self._medium.fileno(), count, position)
            if not piece:
                break
            pieces.append(piece)
            position += len(piece)
            count -= len(piece)
        return b"".join(pieces)

    def _failure(self, position: int, error: OSError) -> InputOutputError:
        return InputOutputError(f"cannot read at byte {position}: {error.strerror}", where=str(self._medium.name))


def open_journal(source: Path) -> OpenedJournal:
    """Opens the journal that ``source`` is or holds.

    A regular file that begins like a journal is one; one whose first sector ends in 55 AA is a card image; any other
    is taken for a journal with a damaged beginning, and what its blocks are worth is found when they are read.

    :raises InputOutputError: it cannot be opened.
    :raises DamageError: empty, no journal on the card, or no FAT16/FAT32 card.
    :raises UsageError: neither a file, a folder nor a block device.
    """
    try:
        mode = os.stat(source).st_mode
    except OSError as error:
        raise InputOutputError(f"cannot open: {error.strerror}", where=str(source)) from error
    if stat.S_ISDIR(mode):
        return _open_file(find_in_folder(source), "folder")
    if stat.S_ISBLK(mode):
        return _open_card(source, "device")
    if not stat.S_ISREG(mode):
        raise UsageError(
            "neither a file nor a card", where=str(source), expected="a journal, a card image, a folder or a device"
        )
    with open_medium(source) as medium:
        first = os.pread(medium.fileno(), SECTOR_BYTES, 0)
    if not first.startswith(_JOURNAL_MAGIC) and first[510:] == _BOOT_SIGNATURE:
        return _open_card(source, "image")
    return _open_file(source, "file")


def find_in_folder(folder: Path) -> Path:
    """The journal file in a folder, in whatever case the system shows its name.

    :raises DamageError: not there; the names of other journals in it are told.
    """
    try:
        names = sorted(os.listdir(folder))
    except OSError as error:
        raise InputOutputError(f"cannot list the folder: {error.strerror}", where=str(folder)) from error
    for name in names:
        if name.upper() == JOURNAL_FILE_NAME:
            return folder / name
    pulled = [name for name in names if name.lower().endswith(_PULLED) and (folder / name).is_file()]
    there = ""
    if pulled:
        more = f" and {len(pulled) - _NAMED} more" if len(pulled) > _NAMED else ""
        there = f", but {', '.join(pulled[:_NAMED])}{more}: give one of them"
    raise DamageError(
        f"no {JOURNAL_FILE_NAME} in the folder{there}",
        where=str(folder),
        expected="a journal's file, or a card made ready with `offtake prepare`",
    )


def _open_file(path: Path, kind: str) -> OpenedJournal:
    medium = open_medium(path)
    size = os.fstat(medium.fileno()).st_size
    if size == 0:
        medium.close()
        raise DamageError("the file is empty", where=str(path), expected="a journal")
    sectors = -(-size // SECTOR_BYTES)
    return OpenedJournal(medium, (Extent(0, sectors),), size, kind, f"journal file {path}")


def _open_card(path: Path, kind: str) -> OpenedJournal:
    medium = open_medium(path)
    try:
        found, copy = _locate_by_any_table(medium, str(path))
    except BaseException:
        medium.close()
        raise
    pieces = f"{len(found.extents)} pieces" if len(found.extents) > 1 else "one piece"
    note = f", by copy {copy + 1} of the allocation table" if copy else ""
    text = f"{JOURNAL_FILE_NAME} on the card {kind} {path} (FAT{found.volume.fat_bits}, {pieces}{note})"
    return OpenedJournal(medium, found.extents, found.size_bytes, kind, text)


def _locate_by_any_table(medium: BinaryIO, name: str) -> tuple[LocatedFile, int]:
    """A card keeps its allocation table twice: when the first leads nowhere, the second may still do."""
    volume = find_volume(medium, name)
    try:
        return locate_file(medium, volume, JOURNAL_FILE_NAME), 0
    except DamageError:
        for copy in range(1, volume.fat_copies):
            try:
                return locate_file(medium, volume, JOURNAL_FILE_NAME, fat_copy=copy), copy
            except DamageError:
                continue
        raise
