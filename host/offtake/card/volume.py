"""The geometry of a FAT volume on a card: partition table, boot sector, cluster numbers, allocation table.

A small strict reader with the rules that the logger itself follows, so that what it accepts here the logger
accepts too. Facts: Microsoft, "FAT: General Overview of On-Disk Format", version 1.03.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from offtake.errors import DamageError, InputOutputError

SECTOR_BYTES = 512
FAT_PARTITION_TYPES = (0x04, 0x06, 0x0E, 0x0B, 0x0C)
"""Partition types of FAT16 (04, 06, 0E) and FAT32 (0B, 0C)."""
FAT12_PARTITION_TYPE = 0x01
GPT_PARTITION_TYPE = 0xEE
FAT12_CLUSTERS_BELOW = 4085
FAT16_CLUSTERS_BELOW = 65525
FIRST_CLUSTER = 2

REFORMAT_HINT = (
    "FAT16 or FAT32; cards larger than 32 GB are sold as exFAT: save what is on it, then reformat it as FAT32, "
    "for example with `mkfs.fat -F 32` on its partition"
)
_SIGNATURE_AT = 510
_SIGNATURE = b"\x55\xaa"
_TABLE_CHUNK = 64 * 1024


@dataclass(frozen=True)
class Volume:
    """Where the parts of a FAT volume lie. Sectors are of 512 bytes and count from the start of the medium."""

    name: str
    start: int
    fat_bits: int
    sectors_per_cluster: int
    fat_start: int
    fat_sectors: int
    fat_copies: int
    root_start: int
    root_sectors: int
    root_cluster: int
    data_start: int
    clusters: int

    @property
    def cluster_bytes(self) -> int:
        """Bytes of one cluster."""
        return self.sectors_per_cluster * SECTOR_BYTES

    @property
    def end_of_chain(self) -> int:
        """Table entries from this one on end a chain."""
        return 0xFFF8 if self.fat_bits == 16 else 0x0FFFFFF8

    def holds(self, cluster: int) -> bool:
        """Whether the volume has a data cluster of this number."""
        return FIRST_CLUSTER <= cluster < FIRST_CLUSTER + self.clusters

    def sector_of(self, cluster: int) -> int:
        """The first sector of a data cluster."""
        return self.data_start + (cluster - FIRST_CLUSTER) * self.sectors_per_cluster


class AllocationTable:
    """One copy of a volume's allocation table, read in chunks of 64 KiB as it is asked."""

    def __init__(self, medium: BinaryIO, volume: Volume, copy: int = 0) -> None:
        self._medium = medium
        self._volume = volume
        self._start = volume.fat_start + copy * volume.fat_sectors
        self._entry_bytes = volume.fat_bits // 8
        self._chunk_number = -1
        self._chunk = b""

    def entry(self, cluster: int) -> int:
        """The table's entry of a cluster (28 bits on FAT32): 0 free, else the next cluster or an end mark.

        :raises DamageError: the medium ends before it.
        """
        number, at = divmod(cluster * self._entry_bytes, _TABLE_CHUNK)
        if number != self._chunk_number:
            self._chunk = self._read(number)
            self._chunk_number = number
        raw = self._chunk[at : at + self._entry_bytes]
        if len(raw) < self._entry_bytes:
            raise DamageError(
                f"the card ends inside its allocation table, at sector {self.sector_of(cluster)}",
                where=self._volume.name,
            )
        return int.from_bytes(raw, "little") & (0xFFFF if self._entry_bytes == 2 else 0x0FFFFFFF)

    def sector_of(self, cluster: int) -> int:
        """The sector that holds a cluster's entry, for messages."""
        return self._start + cluster * self._entry_bytes // SECTOR_BYTES

    def free_clusters(self) -> int:
        """Counts the free clusters."""
        last = FIRST_CLUSTER + self._volume.clusters
        return sum(self.entry(cluster) == 0 for cluster in range(FIRST_CLUSTER, last))

    def _read(self, number: int) -> bytes:
        offset = number * _TABLE_CHUNK
        size = min(_TABLE_CHUNK, self._volume.fat_sectors * SECTOR_BYTES - offset)
        return read_at(self._medium, self._start * SECTOR_BYTES + offset, max(size, 0), self._volume.name)


def read_at(medium: BinaryIO, offset: int, length: int, name: str) -> bytes:
    """Reads ``length`` bytes at ``offset``; fewer only where the medium ends.

    :raises InputOutputError: the medium cannot be read there.
    """
    try:
        return os.pread(medium.fileno(), length, offset)
    except OSError as error:
        raise InputOutputError(
            f"sector {offset // SECTOR_BYTES} cannot be read: {error.strerror}", where=name
        ) from error


def open_medium(path: Path, mode: str = "rb") -> BinaryIO:
    """Opens a card image or a device unbuffered.

    :raises InputOutputError: it cannot be opened.
    """
    try:
        return open(path, mode, buffering=0)  # type: ignore[return-value]
    except OSError as error:
        raise InputOutputError(f"cannot open: {error.strerror}", where=str(path)) from error


def find_volume(medium: BinaryIO, name: str) -> Volume:
    """Finds the FAT16 or FAT32 volume of a card: without a partition table, or the first FAT partition.

    :param name: the medium's name for messages.
    :raises DamageError: none there, or one of another kind (FAT12, exFAT), with what would be right.
    """
    sector = read_at(medium, 0, SECTOR_BYTES, name)
    if not sector:
        raise DamageError("the file is empty", where=name, expected="a card image")
    if len(sector) < SECTOR_BYTES or sector[_SIGNATURE_AT:] != _SIGNATURE:
        raise DamageError(
            "not a formatted card: sector 0 does not end in 55 AA", where=name, expected="FAT16 or FAT32"
        )
    if looks_like_exfat(sector) or looks_like_fat(sector):
        return parse_boot_sector(sector, 0, name)
    for kind, start in _partitions(sector):
        if kind in FAT_PARTITION_TYPES:
            return parse_boot_sector(read_at(medium, start * SECTOR_BYTES, SECTOR_BYTES, name), start, name)
    for kind, start in _partitions(sector):
        inside = read_at(medium, start * SECTOR_BYTES, SECTOR_BYTES, name)
        if looks_like_exfat(inside):
            raise _exfat(name)
        if kind == FAT12_PARTITION_TYPE:
            raise _fat12(name)
    kinds = ", ".join(f"{kind:02X}" for kind, _ in _partitions(sector))
    found = f"partitions of type {kinds}" if kinds else "an empty partition table"
    if GPT_PARTITION_TYPE in (kind for kind, _ in _partitions(sector)):
        found = "a GPT partition table"
    raise DamageError(
        f"no FAT volume on the card, but {found}", where=name, expected="one FAT16 or FAT32 partition (MBR)"
    )


def looks_like_exfat(sector: bytes) -> bool:
    """Whether a boot sector is exFAT's, by the name it carries at offset 3."""
    return sector[3:11] == b"EXFAT   "


def looks_like_fat(sector: bytes) -> bool:
    """Whether a sector is a FAT boot sector and not a partition table, by fields that a table's code lacks."""
    per_cluster = sector[13] if len(sector) == SECTOR_BYTES else 0
    return (
        per_cluster in (1, 2, 4, 8, 16, 32, 64, 128)
        and sector[0] in (0xEB, 0xE9)
        and int.from_bytes(sector[11:13], "little") in (512, 1024, 2048, 4096)
        and sector[14:16] != b"\0\0"
        and sector[16] in (1, 2)
        and (sector[21] == 0xF0 or sector[21] >= 0xF8)
    )


def parse_boot_sector(sector: bytes, start: int, name: str) -> Volume:
    """Reads a FAT boot sector that lies at sector ``start``.

    :raises DamageError: it is not one of FAT16 or FAT32 with 512-byte sectors, or contradicts itself.
    """
    if looks_like_exfat(sector):
        raise _exfat(name)
    if not looks_like_fat(sector) or sector[_SIGNATURE_AT:] != _SIGNATURE:
        raise DamageError(f"sector {start} is not a FAT boot sector", where=name, expected="FAT16 or FAT32")
    sector_bytes, per_cluster, reserved, copies, root_entries, total16 = struct.unpack_from("<HBHBHH", sector, 11)
    (fat_sectors16,) = struct.unpack_from("<H", sector, 22)
    (total32, fat_sectors32) = struct.unpack_from("<II", sector, 32)
    (root_cluster,) = struct.unpack_from("<I", sector, 44)
    if sector_bytes != SECTOR_BYTES:
        raise DamageError(
            f"sectors of {sector_bytes} bytes (boot sector {start})", where=name, expected="sectors of 512 bytes"
        )
    total = total16 or total32
    fat_sectors = fat_sectors16 or fat_sectors32
    root_sectors = (root_entries * 32 + SECTOR_BYTES - 1) // SECTOR_BYTES
    overhead = reserved + copies * fat_sectors + root_sectors
    clusters = (total - overhead) // per_cluster
    if fat_sectors == 0 or clusters < 1:
        raise DamageError(
            f"boot sector {start} contradicts itself: {total} sectors, {overhead} of them before the data",
            where=name,
        )
    if clusters < FAT12_CLUSTERS_BELOW:
        raise _fat12(name)
    bits = 16 if clusters < FAT16_CLUSTERS_BELOW else 32
    if fat_sectors * SECTOR_BYTES * 8 < (clusters + FIRST_CLUSTER) * bits:
        raise DamageError(
            f"boot sector {start} contradicts itself: the allocation table is too short for {clusters} clusters",
            where=name,
        )
    root_start = start + reserved + copies * fat_sectors
    return Volume(
        name=name,
        start=start,
        fat_bits=bits,
        sectors_per_cluster=per_cluster,
        fat_start=start + reserved,
        fat_sectors=fat_sectors,
        fat_copies=copies,
        root_start=root_start,
        root_sectors=root_sectors,
        root_cluster=root_cluster if bits == 32 else 0,
        data_start=root_start + root_sectors,
        clusters=clusters,
    )


def _partitions(sector: bytes) -> Iterator[tuple[int, int]]:
    """Type and first sector of each used entry of a partition table, in order."""
    for at in range(446, _SIGNATURE_AT, 16):
        kind = sector[at + 4]
        if kind:
            yield kind, int.from_bytes(sector[at + 8 : at + 12], "little")


def _exfat(name: str) -> DamageError:
    return DamageError("the card is formatted as exFAT", where=name, expected=REFORMAT_HINT)


def _fat12(name: str) -> DamageError:
    return DamageError(
        "the card is formatted as FAT12, as very small ones are",
        where=name,
        expected="FAT16 or FAT32: a card of 32 MB or more, reformatted for example with `mkfs.fat -F 16`",
    )
