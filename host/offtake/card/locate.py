"""Finds the journal file on a FAT card without mounting it: root directory, cluster chain, extents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import BinaryIO

from offtake.card.volume import (
    SECTOR_BYTES,
    AllocationTable,
    Volume,
    find_volume,
    open_medium,
    read_at,
)
from offtake.errors import DamageError

JOURNAL_FILE_NAME = "OFFTAKE.JNL"
"""Name of the journal file in the card's top folder."""
EXTENTS_MAX = 4
"""How many pieces of a file the logger keeps in its memory; more are refused."""

_ENTRY_BYTES = 32
_END = 0x00
_DELETED = 0xE5
_VOLUME_LABEL = 0x08
"""Set in the entries of the volume's name and in the pieces of long names (0F), which are no files."""
_FOLDER = 0x10
_ROOT_BYTES_MAX = 65_536 * _ENTRY_BYTES
_READABLE_EXTENTS_MAX = 65_536


@dataclass(frozen=True)
class Extent:
    """A run of 512-byte sectors, counted from the start of the medium (not of the partition)."""

    first_sector: int
    sectors: int


@dataclass(frozen=True)
class LocatedFile:
    """Where a file lies: its extents in order (the last one cut to the file's size) and its size in bytes."""

    extents: tuple[Extent, ...]
    size_bytes: int
    volume: Volume


@dataclass(frozen=True)
class DirectoryEntry:
    """A file's entry in the root directory; ``sector`` says where the entry lies."""

    first_cluster: int
    size_bytes: int
    is_folder: bool
    sector: int


def locate_in_image(image: Path, *, fat_copy: int = 0) -> LocatedFile:
    """Finds the journal file on a card image or a card's device node; reads only what it needs.

    :param fat_copy: which copy of the allocation table to trust, from 0.
    :raises DamageError: not a FAT16/FAT32 card, no journal file, or a broken chain; the sector is named.
    :raises InputOutputError: it cannot be read.
    """
    with open_medium(image) as medium:
        return locate_file(medium, find_volume(medium, str(image)), JOURNAL_FILE_NAME, fat_copy=fat_copy)


def locate_file(medium: BinaryIO, volume: Volume, file_name: str, *, fat_copy: int = 0) -> LocatedFile:
    """As :func:`locate_in_image`, for a file of the root directory by its short name."""
    entry = find_entry(medium, volume, file_name)
    if entry is None:
        raise DamageError(
            f"no {file_name} in the card's top folder",
            where=volume.name,
            expected="a card made ready with `offtake prepare`",
        )
    if entry.is_folder:
        raise DamageError(f"{file_name} is a folder (sector {entry.sector})", where=volume.name, expected="a file")
    if entry.size_bytes == 0:
        raise DamageError(
            f"{file_name} is empty (sector {entry.sector})", where=volume.name, expected="a journal of blocks"
        )
    extents = _extents(AllocationTable(medium, volume, fat_copy), volume, entry, file_name)
    return LocatedFile(extents, entry.size_bytes, volume)


def find_entry(medium: BinaryIO, volume: Volume, file_name: str) -> DirectoryEntry | None:
    """Looks a short name (``NAME.EXT``) up in the root directory; None when it is not there.

    :raises DamageError: the root directory's own chain is broken.
    """
    stem, _, extension = file_name.partition(".")
    wanted = f"{stem:<8}{extension:<3}".encode("ascii")
    for first, sectors in _root_runs(medium, volume):
        for sector in range(first, first + sectors):
            raw = read_at(medium, sector * SECTOR_BYTES, SECTOR_BYTES, volume.name)
            if len(raw) < SECTOR_BYTES:
                raise DamageError(
                    f"the card ends inside its top folder, at sector {sector}", where=volume.name
                )
            for at in range(0, SECTOR_BYTES, _ENTRY_BYTES):
                entry = raw[at : at + _ENTRY_BYTES]
                if entry[0] == _END:
                    return None
                if entry[0] != _DELETED and not entry[11] & _VOLUME_LABEL and entry[:11] == wanted:
                    return _parse_entry(entry, volume, sector)
    return None


def _parse_entry(entry: bytes, volume: Volume, sector: int) -> DirectoryEntry:
    # On FAT16 the high half is not the cluster's: other systems keep other things there.
    high = int.from_bytes(entry[20:22], "little") if volume.fat_bits == 32 else 0
    return DirectoryEntry(
        first_cluster=high << 16 | int.from_bytes(entry[26:28], "little"),
        size_bytes=int.from_bytes(entry[28:32], "little"),
        is_folder=bool(entry[11] & _FOLDER),
        sector=sector,
    )


def _root_runs(medium: BinaryIO, volume: Volume) -> Iterator[tuple[int, int]]:
    """The root directory's sectors: one run on FAT16, a chain of clusters on FAT32."""
    if volume.fat_bits == 16:
        yield volume.root_start, volume.root_sectors
        return
    table = AllocationTable(medium, volume)
    cluster = volume.root_cluster
    # A directory has 65,536 entries at most: this also ends a chain that bites its tail.
    for _ in range(_ROOT_BYTES_MAX // volume.cluster_bytes):
        if not volume.holds(cluster):
            raise DamageError(f"the top folder's chain leaves the card at cluster {cluster}", where=volume.name)
        yield volume.sector_of(cluster), volume.sectors_per_cluster
        following = table.entry(cluster)
        if following >= volume.end_of_chain:
            return
        cluster = following


def _extents(
    table: AllocationTable, volume: Volume, entry: DirectoryEntry, file_name: str
) -> tuple[Extent, ...]:
    """Follows the chain as far as the file's size says; what may hang on behind is not the file's."""
    needed = -(-entry.size_bytes // volume.cluster_bytes)
    runs: list[list[int]] = []
    cluster = entry.first_cluster
    source = entry.sector
    for index in range(needed):
        if not volume.holds(cluster):
            ended = "ends" if cluster >= volume.end_of_chain else f"goes to cluster {cluster}"
            raise DamageError(
                f"the chain of {file_name} {ended} after {index} of {needed} clusters (sector {source})",
                where=volume.name,
                expected=f"clusters 2 to {volume.clusters + 1}",
            )
        if runs and cluster == runs[-1][0] + runs[-1][1]:
            runs[-1][1] += 1
        else:
            runs.append([cluster, 1])
            if len(runs) > _READABLE_EXTENTS_MAX:
                raise DamageError(f"{file_name} is in more than {len(runs) - 1} pieces", where=volume.name)
        source = table.sector_of(cluster)
        cluster = table.entry(cluster)
    _refuse_overlap(runs, volume, table, file_name)
    return _cut_to_size(runs, volume, entry.size_bytes)


def _refuse_overlap(
    runs: list[list[int]], volume: Volume, table: AllocationTable, file_name: str
) -> None:
    """A chain that returns to a cluster it has passed shows as two runs that share it."""
    ordered = sorted(runs)
    for (first, count), (following, _) in pairwise(ordered):
        if following < first + count:
            raise DamageError(
                f"the chain of {file_name} comes back to cluster {following} "
                f"(sector {table.sector_of(following)})",
                where=volume.name,
            )


def _cut_to_size(runs: list[list[int]], volume: Volume, size_bytes: int) -> tuple[Extent, ...]:
    left = -(-size_bytes // SECTOR_BYTES)
    extents = []
    for first, count in runs:
        sectors = min(count * volume.sectors_per_cluster, left)
        extents.append(Extent(volume.sector_of(first), sectors))
        left -= sectors
    return tuple(extents)
