"""Puts the journal file on a card: into a mounted card's top folder, or into a card image."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from offtake.card.locate import EXTENTS_MAX, JOURNAL_FILE_NAME, Extent, find_entry, locate_file
from offtake.card.mounts import MountedAs, mounted_as
from offtake.card.source import find_in_folder
from offtake.card.tools import run_tool
from offtake.card.volume import (
    FAT12_CLUSTERS_BELOW,
    REFORMAT_HINT,
    SECTOR_BYTES,
    AllocationTable,
    Volume,
    find_volume,
    open_medium,
    read_at,
)
from offtake.errors import DamageError, InputOutputError, UsageError

BLOCK_BYTES = 512
UNFINISHED_FILE_NAME = "OFFTAKE.NEW"
"""The journal's name until it is whole."""

_FILE_BYTES_MAX = 2**32 - 1
_FAT_KINDS = ("vfat", "msdos")
_EXFAT_KINDS = ("exfat", "fuse.exfat", "fuseblk")
_CHUNK = 1024 * 1024

Progress = Callable[[int, int], None]
"""Called with the bytes done and the bytes in all."""


@dataclass(frozen=True)
class Replaced:
    """What had to give way: size in bytes and the first 512 bytes (fewer of a shorter file)."""

    size_bytes: int
    header: bytes


@dataclass(frozen=True)
class Prepared:
    """What was written. ``extents`` is None when the card's device may not be read to see where the file lies."""

    where: str
    size_bytes: int
    extents: tuple[Extent, ...] | None
    replaced: Replaced | None


def prepare_on_mount(
    folder: Path,
    header: bytes,
    blocks: int,
    *,
    fill: int = 0xFF,
    replace: bool = False,
    progress: Progress | None = None,
    mounted_as: Callable[[Path], MountedAs] = mounted_as,
    extents_max: int = EXTENTS_MAX,
) -> Prepared:
    """Writes the journal file into the top folder of a mounted FAT card, and waits until the card has it.

    It is written under another name and renamed when whole. With ``replace`` an older journal gives way; it is
    removed only then, or before when the card has no room for both.

    :param header: block 0, 512 bytes. :param blocks: blocks of the file, the header included (2 or more).
    :param mounted_as: tells what the folder is mounted from.
    :raises UsageError: there is a journal and no ``replace``; the size is senseless; not the card's top folder.
    :raises DamageError: not a FAT16/FAT32 card, or the free space is in too many pieces.
    :raises InputOutputError: no room (with the figures), read-only, or the card fails.
    """
    size = _checked_size(header, blocks, fill)
    mount = mounted_as(folder)
    _require_fat(mount, folder)
    old = _find_old(folder)
    replaced = _look_at_old(old, replace) if old else None
    aside = folder / UNFINISHED_FILE_NAME
    _remove_leftover(aside, header)
    free = mounted_as(folder).free_bytes
    recoverable = replaced.size_bytes if replaced else 0
    _require_room(size, free, recoverable, str(folder))
    try:
        if old and size > free:
            old.unlink()
        _write_file(aside, _pieces(header, size, fill, progress))
        extents = _extents_on_device(mount.device, UNFINISHED_FILE_NAME)
        if extents is not None and len(extents) > extents_max:
            raise _too_many_pieces(len(extents), extents_max, str(folder))
        os.replace(aside, old if old and old.exists() else folder / JOURNAL_FILE_NAME)
        _sync_folder(folder)
    except OSError as error:
        raise _writing_failed(error, folder) from error
    finally:
        with suppress(OSError):
            aside.unlink()
    return Prepared(str(folder / JOURNAL_FILE_NAME), size, extents, replaced)


def prepare_in_image(
    image: Path,
    header: bytes,
    blocks: int,
    *,
    fill: int = 0xFF,
    replace: bool = False,
    progress: Progress | None = None,
    extents_max: int = EXTENTS_MAX,
) -> Prepared:
    """As :func:`prepare_on_mount`, in the image file of a card, with or without a partition table.

    When the new file would lie in more than ``extents_max`` pieces it is taken away again; the older journal
    is still there then, unless the card had no room for both.
    """
    size = _checked_size(header, blocks, fill)
    _require_writable_file(image)
    name = str(image)
    with open_medium(image, "r+b") as medium:
        volume = find_volume(medium, name)
        tool = _ImageTool(image, volume)
        replaced = _look_at_old_in_image(medium, volume, replace)
        leftover = find_entry(medium, volume, UNFINISHED_FILE_NAME)
        if leftover is not None:
            _require_ours(_first_bytes(medium, volume, UNFINISHED_FILE_NAME, leftover.size_bytes), header, name)
            tool.delete(UNFINISHED_FILE_NAME)
        free = AllocationTable(medium, volume).free_clusters() * volume.cluster_bytes
        _require_room(size, free, replaced.size_bytes if replaced else 0, name)
        removed = replaced is not None and size > free
        if removed:
            tool.delete(JOURNAL_FILE_NAME)
        try:
            tool.write(UNFINISHED_FILE_NAME, _pieces(header, size, fill, progress))
            pieces = len(locate_file(medium, volume, UNFINISHED_FILE_NAME).extents)
            if pieces > extents_max:
                raise _too_many_pieces(pieces, extents_max, name)
        except BaseException:
            if find_entry(medium, volume, UNFINISHED_FILE_NAME) is not None:
                tool.delete(UNFINISHED_FILE_NAME)
            raise
        if replaced and not removed:
            tool.delete(JOURNAL_FILE_NAME)
        tool.rename(UNFINISHED_FILE_NAME, JOURNAL_FILE_NAME)
        os.fsync(medium.fileno())
        found = locate_file(medium, volume, JOURNAL_FILE_NAME)
    return Prepared(f"{JOURNAL_FILE_NAME} in {image}", size, found.extents, replaced)


class _ImageTool:
    """The few things done to an image's top folder, through mtools."""

    def __init__(self, image: Path, volume: Volume) -> None:
        # mtools takes "@@" for the start of an offset; an absolute path with the offset last is unambiguous.
        self._drive = f"{image.resolve()}@@{volume.start * SECTOR_BYTES}"
        self._where = str(image)

    def write(self, file_name: str, pieces: Iterator[bytes]) -> None:
        run_tool("mcopy", ["-i", self._drive, "-", f"::{file_name}"], feed=pieces, where=self._where)

    def delete(self, file_name: str) -> None:
        run_tool("mdel", ["-i", self._drive, f"::{file_name}"], where=self._where)

    def rename(self, old: str, new: str) -> None:
        run_tool("mren", ["-i", self._drive, f"::{old}", f"::{new}"], where=self._where)


def _checked_size(header: bytes, blocks: int, fill: int) -> int:
    if len(header) != BLOCK_BYTES:
        raise UsageError(f"a header of {len(header)} bytes", expected=f"{BLOCK_BYTES} bytes")
    if not 0 <= fill <= 0xFF:
        raise UsageError(f"fill byte {fill}", expected="0 to 255")
    most = _FILE_BYTES_MAX // BLOCK_BYTES
    if not 2 <= blocks <= most:
        expected = f"2 to {most}, since FAT's largest file is 4 GiB: --size 4095MiB, say"
        raise UsageError(f"a journal of {blocks} blocks", expected=expected)
    return blocks * BLOCK_BYTES


def _pieces(header: bytes, size: int, fill: int, progress: Progress | None) -> Iterator[bytes]:
    """The file's bytes: the header, then fill up to ``size``."""
    yield header
    done = len(header)
    chunk = bytes([fill]) * _CHUNK
    while done < size:
        piece = chunk[: min(_CHUNK, size - done)]
        yield piece
        done += len(piece)
        if progress:
            progress(done, size)


def _require_fat(mount: MountedAs, folder: Path) -> None:
    if mount.file_system in _EXFAT_KINDS:
        raise DamageError("the card is formatted as exFAT", where=str(folder), expected=REFORMAT_HINT)
    if mount.file_system not in _FAT_KINDS:
        raise DamageError(
            f"the folder is on {mount.file_system} ({mount.mount_point}), not on a FAT card",
            where=str(folder),
            expected="the folder where a FAT16 or FAT32 card is mounted",
        )
    if mount.clusters < FAT12_CLUSTERS_BELOW:
        raise DamageError(
            "the card is formatted as FAT12, as very small ones are",
            where=str(folder),
            expected="FAT16 or FAT32: a card of 32 MB or more",
        )
    if folder.resolve() != mount.mount_point:
        raise UsageError(
            "not the card's top folder, the only one the logger looks in",
            where=str(folder),
            expected=str(mount.mount_point),
        )
    if mount.read_only:
        raise InputOutputError(
            "the card is read-only", where=str(folder), expected="its lock switch off and a writable mount"
        )


def _find_old(folder: Path) -> Path | None:
    try:
        return find_in_folder(folder)
    except DamageError:
        return None


def _look_at_old(old: Path, replace: bool) -> Replaced:
    try:
        size = old.stat().st_size
        if not old.is_file():
            raise UsageError("is no file", where=str(old), expected="a journal file or none")
        if not replace:
            raise _exists(str(old), size)
        with old.open("rb") as file:
            return Replaced(size, file.read(BLOCK_BYTES))
    except OSError as error:
        raise InputOutputError(f"cannot read the older journal: {error.strerror}", where=str(old)) from error


def _look_at_old_in_image(medium: BinaryIO, volume: Volume, replace: bool) -> Replaced | None:
    entry = find_entry(medium, volume, JOURNAL_FILE_NAME)
    if entry is None:
        return None
    if entry.is_folder:
        raise UsageError(
            f"{JOURNAL_FILE_NAME} is a folder (sector {entry.sector})", where=volume.name, expected="a file or none"
        )
    if not replace:
        raise _exists(f"{JOURNAL_FILE_NAME} in {volume.name}", entry.size_bytes)
    return Replaced(entry.size_bytes, _first_bytes(medium, volume, JOURNAL_FILE_NAME, entry.size_bytes))


def _first_bytes(medium: BinaryIO, volume: Volume, file_name: str, size: int) -> bytes:
    if size == 0:
        return b""
    first = locate_file(medium, volume, file_name).extents[0]
    return read_at(medium, first.first_sector * SECTOR_BYTES, min(size, BLOCK_BYTES), volume.name)


def _remove_leftover(aside: Path, header: bytes) -> None:
    """Takes away what an interrupted preparation left; nothing was ever recorded in it."""
    try:
        with aside.open("rb") as file:
            first = file.read(BLOCK_BYTES)
        _require_ours(first, header, str(aside))
        aside.unlink()
    except FileNotFoundError:
        return
    except OSError as error:
        raise InputOutputError(f"cannot remove: {error.strerror}", where=str(aside)) from error


def _require_ours(first: bytes, header: bytes, where: str) -> None:
    """A file of the unfinished journal's name is only removed when it is empty or begins as a journal does."""
    if first and first[:8] != header[:8]:
        raise UsageError(
            f"the name {UNFINISHED_FILE_NAME} is taken by another file", where=where, expected="that file renamed"
        )


def _require_room(size: int, free: int, recoverable: int, where: str) -> None:
    if size > free + recoverable:
        gives_way = f", {recoverable:,} in the journal that gives way" if recoverable else ""
        raise InputOutputError(
            f"the card has not enough room: {size:,} bytes needed, {free:,} free{gives_way}",
            where=where,
            expected="a smaller --size, or files deleted from the card",
        )


def _require_writable_file(image: Path) -> None:
    try:
        mode = os.stat(image).st_mode
    except OSError as error:
        raise InputOutputError(f"cannot open: {error.strerror}", where=str(image)) from error
    if not stat.S_ISREG(mode):
        raise UsageError(
            "not a card image", where=str(image), expected="a file, or the folder where the card is mounted"
        )
    # Root may write anything, but a file whose owner took the right to write away is meant to stay as it is.
    if not mode & (stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH) or not os.access(image, os.W_OK):
        raise InputOutputError("the card image is read-only", where=str(image), expected="a writable file")


def _write_file(path: Path, pieces: Iterator[bytes]) -> None:
    with path.open("xb") as file:
        for piece in pieces:
            file.write(piece)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _extents_on_device(device: Path, file_name: str) -> tuple[Extent, ...] | None:
    """Where a file lies, read from the card's device; None where that may not be read, as ordinary users often."""
    if not device.is_absolute():
        return None
    try:
        with open_medium(device) as medium:
            return locate_file(medium, find_volume(medium, str(device)), file_name).extents
    except (DamageError, InputOutputError):
        return None


def _exists(where: str, size: int) -> UsageError:
    return UsageError(
        f"there is a journal of {size:,} bytes already",
        where=where,
        expected="another card, or --replace to give the old one up",
    )


def _too_many_pieces(pieces: int, most: int, where: str) -> DamageError:
    return DamageError(
        f"the card's free space is scattered: the journal would lie in {pieces} pieces",
        where=where,
        expected=f"at most {most}; save what is on the card, then reformat it, or delete files and prepare again",
    )


def _writing_failed(error: OSError, folder: Path) -> InputOutputError:
    if error.errno == errno.EROFS:
        what, expected = "the card is read-only", "its lock switch off and a writable mount"
    elif error.errno == errno.ENOSPC:
        what, expected = "the card is full", "a smaller --size, or files deleted from the card"
    else:
        what, expected = f"cannot write: {error.strerror}", ""
    return InputOutputError(what, where=str(folder), expected=expected)
