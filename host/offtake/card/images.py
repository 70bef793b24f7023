"""Makes FAT card images for the bench, the demo and the tests, and checks them with fsck.fat."""

from __future__ import annotations

import errno
import os
import re
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import BinaryIO

from offtake.card.tools import run_tool
from offtake.card.volume import (
    FIRST_CLUSTER,
    SECTOR_BYTES,
    AllocationTable,
    Volume,
    find_volume,
    open_medium,
    read_at,
)
from offtake.errors import DamageError, InputOutputError, UsageError

MIB = 1024 * 1024
_PARTITION_START = 2048
"""Sectors before the first partition: 1 MiB, as partitioning tools leave it."""
_PARTITION_TYPES = {16: 0x0E, 32: 0x0C}
_VOLUME_ID = "0ff7a4e0"
_DISK_SIGNATURE = bytes.fromhex("e0a4f70f")
_FRAGMENT_CLUSTERS = 16
"""A fragmented image has a bad cluster after so many good ones."""
_INFO_SECTOR_AT = 48
_FREE_COUNT_AT = 488
"""Where FAT32's boot sector names its information sector, and where that counts the free clusters."""
_COPY_CHUNK = MIB
_FSCK_FOUND_ERRORS = 1
_FSCK_SUMMARY = re.compile(r": \d+ files?, \d+/\d+ clusters$")
_FSCK_SMALL_TALK = re.compile(_FSCK_SUMMARY.pattern + r"|^fsck\.fat \d|^Leaving filesystem unchanged")


def make_card_image(
    path: Path,
    size_mib: int,
    *,
    fat: int = 32,
    mbr: bool = False,
    label: str = "OFFTAKE",
    sectors_per_cluster: int | None = None,
    fragmented: bool = False,
    bad_clusters: Sequence[int] = (),
) -> None:
    """Makes an empty FAT16 or FAT32 card image; the same arguments give the same bytes.

    :param path: must not exist yet. The file is sparse.
    :param size_mib: size of the whole card in MiB.
    :param mbr: with a partition table and one partition from 1 MiB on, as cards are sold; else none.
    :param fragmented: leave only short runs of free clusters, so that no journal fits in few pieces.
    :param bad_clusters: cluster numbers (from 2) to mark bad, by which free space is cut where a test wants.
    :raises UsageError: the file exists, or the size and the FAT type do not go together.
    :raises InputOutputError: it cannot be written, or mkfs.fat fails.
    """
    if fat not in _PARTITION_TYPES:
        raise UsageError(f"no FAT{fat} card", expected="16 or 32")
    start = _PARTITION_START if mbr else 0
    try:
        with open(path, "xb") as image:
            image.truncate(size_mib * MIB)
            if mbr:
                image.write(_partition_table(start, size_mib * MIB // SECTOR_BYTES - start, fat))
    except FileExistsError as error:
        raise UsageError("exists already", where=str(path), expected="a new file") from error
    except OSError as error:
        raise InputOutputError(f"cannot write: {error.strerror}", where=str(path)) from error
    try:
        options = ["--invariant", "-F", str(fat), "-i", _VOLUME_ID, "-n", label, "-s"]
        options += [str(sectors_per_cluster or _usual_cluster(size_mib, fat))]
        volume = _format(path, start, options, size_mib)
        if volume.fat_bits != fat:
            raise UsageError(
                f"a card of {size_mib} MiB with these clusters is FAT{volume.fat_bits}", expected=f"FAT{fat}"
            )
        if fragmented:
            last = FIRST_CLUSTER + volume.clusters
            bad_clusters = range(FIRST_CLUSTER + _FRAGMENT_CLUSTERS, last, _FRAGMENT_CLUSTERS + 1)
        if bad_clusters:
            _mark_bad(path, volume, bad_clusters)
    except BaseException:
        with suppress(OSError):
            path.unlink()
        raise


def fsck(image: Path) -> list[str]:
    """What ``fsck.fat -n`` complains of, line by line; empty for a clean card. The image is not written.

    :raises DamageError: no FAT16/FAT32 volume found to check.
    :raises InputOutputError: it cannot be read, or fsck.fat is missing.
    """
    with open_medium(image) as medium:
        start = find_volume(medium, str(image)).start
        if start == 0:
            return _fsck_volume(image)
        with tempfile.TemporaryDirectory(prefix="offtake-") as folder:
            # fsck.fat knows no partitions: it gets the volume alone, sparse.
            alone = Path(folder) / "volume.img"
            _copy_sparse(medium, start * SECTOR_BYTES, alone, str(image))
            return _fsck_volume(alone)


def _fsck_volume(volume: Path) -> list[str]:
    said = run_tool("fsck.fat", ["-n", str(volume)], accept=lambda code: code in (0, _FSCK_FOUND_ERRORS))
    lines = [line.strip() for line in said.splitlines() if line.strip()]
    complaints = [line for line in lines if not _FSCK_SMALL_TALK.search(line)]
    if not any(_FSCK_SUMMARY.search(line) for line in lines):
        complaints.append("fsck.fat did not come to its end")
    return complaints


def _usual_cluster(size_mib: int, fat: int) -> int:
    """Sectors per cluster that give this FAT type its place in the range of cluster counts."""
    for sectors in (64, 32, 16, 8, 4, 2, 1):
        clusters = size_mib * MIB // SECTOR_BYTES // sectors
        if (fat == 32 and clusters > 80_000) or (fat == 16 and 16_000 < clusters < 65_000):
            return sectors
    return 1


def _format(path: Path, start: int, options: list[str], size_mib: int) -> Volume:
    blocks = size_mib * MIB // 1024 - start // 2
    place = ["--offset", str(start), "-h", str(start)] if start else []
    run_tool("mkfs.fat", [*options, *place, str(path), str(blocks)], where=str(path))
    try:
        with open_medium(path) as medium:
            return find_volume(medium, str(path))
    except DamageError as error:
        raise UsageError(f"a card of {size_mib} MiB does not go with these settings: {error.what}") from error


def _mark_bad(path: Path, volume: Volume, clusters: Sequence[int]) -> None:
    """Marks clusters bad in every copy of the table; on FAT32 corrects the count of free ones with it."""
    width = volume.fat_bits // 8
    mark = (0xFFF7 if volume.fat_bits == 16 else 0x0FFFFFF7).to_bytes(width, "little")
    with open_medium(path, "r+b") as medium:
        for cluster in clusters:
            if not volume.holds(cluster):
                raise UsageError(f"the card has no cluster {cluster}", expected=f"2 to {volume.clusters + 1}")
            for copy in range(volume.fat_copies):
                start = (volume.fat_start + copy * volume.fat_sectors) * SECTOR_BYTES
                os.pwrite(medium.fileno(), mark, start + cluster * width)
        if volume.fat_bits == 32:
            boot = read_at(medium, volume.start * SECTOR_BYTES, SECTOR_BYTES, str(path))
            info = volume.start + int.from_bytes(boot[_INFO_SECTOR_AT : _INFO_SECTOR_AT + 2], "little")
            free = AllocationTable(medium, volume).free_clusters()
            os.pwrite(medium.fileno(), free.to_bytes(4, "little"), info * SECTOR_BYTES + _FREE_COUNT_AT)


def _partition_table(start: int, sectors: int, fat: int) -> bytes:
    # Cylinder, head and sector are out of use: all ones says so.
    entry = bytes([0, 0xFE, 0xFF, 0xFF, _PARTITION_TYPES[fat], 0xFE, 0xFF, 0xFF])
    entry += start.to_bytes(4, "little") + sectors.to_bytes(4, "little")
    return bytes(440) + _DISK_SIGNATURE + bytes(2) + entry + bytes(48) + b"\x55\xaa"


def _copy_sparse(medium: BinaryIO, offset: int, target: Path, name: str) -> None:
    """Copies from ``offset`` to the end, leaving out what the file system knows to be holes."""
    end = os.lseek(medium.fileno(), 0, os.SEEK_END)
    with open(target, "wb") as copy:
        copy.truncate(end - offset)
        at = _next_data(medium, offset, end)
        while at < end and (piece := read_at(medium, at, _COPY_CHUNK, name)):
            copy.seek(at - offset)
            copy.write(piece)
            at = _next_data(medium, at + len(piece), end)


def _next_data(medium: BinaryIO, at: int, end: int) -> int:
    try:
        return os.lseek(medium.fileno(), at, os.SEEK_DATA)
    except OSError as error:
        # ENXIO: nothing but a hole is left. Others, as from devices, know no holes.
        return end if error.errno == errno.ENXIO else at
