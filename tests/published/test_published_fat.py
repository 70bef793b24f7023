"""FAT on disk, as Microsoft "FAT: General Overview of On-Disk Format" 1.03 has it, on mkfs.fat images.

Each offset is read here byte by byte and compared with what was asked of mkfs.fat (dosfstools), with what
minfo (mtools, an independent reader) says of the same image, and with what the card room takes from it.
"""

from __future__ import annotations

import os
import re
import struct
import subprocess
from pathlib import Path

import pytest
from offtake.card import locate_in_image, make_card_image, prepare_in_image
from offtake.card.volume import (
    FAT12_CLUSTERS_BELOW,
    FAT16_CLUSTERS_BELOW,
    FAT_PARTITION_TYPES,
    Volume,
    find_volume,
    open_medium,
    parse_boot_sector,
)
from offtake.errors import DamageError

SOURCE = 'Microsoft "FAT: General Overview of On-Disk Format" 1.03'
HEADER = b"OFTKJNL1" + bytes(504)
MBR_START = 2048


def u16(data: bytes, at: int) -> int:
    return int(struct.unpack_from("<H", data, at)[0])


def u32(data: bytes, at: int) -> int:
    return int(struct.unpack_from("<I", data, at)[0])


def volume_of(path: Path) -> Volume:
    with open_medium(path) as medium:
        return find_volume(medium, str(path))


def run(*command: str | Path, **variables: str) -> str:
    done = subprocess.run(
        command, capture_output=True, text=True, check=True, env=os.environ | {"LC_ALL": "C"} | variables
    )
    return done.stdout


def figures(said: str) -> dict[str, int]:
    found = re.findall(r"^(\w[^:=\n]*)[:=]\s*(\d+)(?: bytes| sectors)?\s*$", said, re.MULTILINE)
    return {name: int(value) for name, value in found}


def minfo(image: Path) -> dict[str, int]:
    return figures(run("minfo", "-i", image, "::", MTOOLS_SKIP_CHECK="1"))


@pytest.mark.parametrize(("fat", "size_mib"), [(16, 40), (32, 40)])
def test_boot_sector_offsets(tmp_path: Path, fat: int, size_mib: int) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, size_mib, fat=fat, sectors_per_cluster=2 if fat == 16 else 1)
    boot = image.read_bytes()[:512]
    volume = volume_of(image)
    said = minfo(image)
    assert boot[510:512] == b"\x55\xaa", SOURCE
    assert u16(boot, 11) == said["sector size"] == 512
    assert boot[13] == said["cluster size"] == volume.sectors_per_cluster == (2 if fat == 16 else 1)
    assert u16(boot, 14) == said["reserved (boot) sectors"] == volume.fat_start
    assert boot[16] == said["fats"] == volume.fat_copies == 2
    assert u16(boot, 17) == said["max available root directory slots"]
    assert u16(boot, 19) == said["small size"]
    assert u16(boot, 22) == said["sectors per fat"]
    assert (u16(boot, 19) or u32(boot, 32)) == size_mib * 2048
    if fat == 16:
        assert volume.fat_sectors == u16(boot, 22)
        assert volume.root_sectors * 16 == u16(boot, 17)
    else:
        # FAT32 has no root area and no 16-bit sizes: both are 0, and the 32-bit ones count.
        assert (u16(boot, 17), u16(boot, 19), u16(boot, 22)) == (0, 0, 0)
        assert volume.fat_sectors == u32(boot, 36) == said["Big fatlen"]
        assert volume.root_cluster == u32(boot, 44) == said["rootCluster"]


@pytest.mark.parametrize(("fat", "kind"), [(16, 0x0E), (32, 0x0C)])
def test_partition_table_offsets(tmp_path: Path, fat: int, kind: int) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=fat, mbr=True)
    table = image.read_bytes()[:512]
    assert table[510:512] == b"\x55\xaa", SOURCE
    assert table[446 + 4] == kind
    assert kind in FAT_PARTITION_TYPES
    assert u32(table, 446 + 8) == MBR_START == volume_of(image).start
    assert u32(table, 446 + 12) == 40 * 2048 - MBR_START
    assert set(table[446 + 16 : 510]) == {0}
    # minfo reads the partition table by itself when it is told the partition's number, not an offset.
    settings = tmp_path / "mtoolsrc"
    settings.write_text(f'drive z: file="{image}" partition=1\n')
    said = figures(run("minfo", "z:", MTOOLSRC=str(settings), MTOOLS_SKIP_CHECK="1"))
    assert said["hidden sectors"] == MBR_START
    assert said["sectors per fat" if fat == 16 else "Big fatlen"] == volume_of(image).fat_sectors


def test_partition_types() -> None:
    """Types 04/06/0E FAT16, 0B/0C FAT32 (check value list, from the source above)."""
    assert set(FAT_PARTITION_TYPES) == {0x04, 0x06, 0x0E, 0x0B, 0x0C}


@pytest.mark.parametrize(
    ("clusters", "bits"), [(4084, None), (4085, 16), (65_524, 16), (65_525, 32), (200_000, 32)]
)
def test_the_cluster_count_alone_makes_the_type(clusters: int, bits: int | None) -> None:
    """< 4085 FAT12, < 65525 FAT16, else FAT32, whatever name the boot sector carries."""
    assert (FAT12_CLUSTERS_BELOW, FAT16_CLUSTERS_BELOW) == (4085, 65_525)
    boot = bytearray(512)
    boot[0:3] = b"\xeb\x3c\x90"
    struct.pack_into("<HBHBHH", boot, 11, 512, 4, 32, 2, 0, 0)
    boot[21] = 0xF8
    fat_sectors = 2000
    total = 32 + 2 * fat_sectors + clusters * 4 + 3
    struct.pack_into("<IIHHI", boot, 32, total, fat_sectors, 0, 0, 2)
    boot[54:62] = b"FAT12   "
    boot[510:512] = b"\x55\xaa"
    if bits is None:
        with pytest.raises(DamageError, match="FAT12"):
            parse_boot_sector(bytes(boot), 0, "card")
    else:
        volume = parse_boot_sector(bytes(boot), 0, "card")
        assert (volume.clusters, volume.fat_bits) == (clusters, bits)


def root_of(image: Path) -> bytes:
    volume = volume_of(image)
    sector = volume.root_start if volume.fat_bits == 16 else volume.sector_of(volume.root_cluster)
    with image.open("rb") as file:
        file.seek(sector * 512)
        return file.read(512)


@pytest.mark.parametrize("fat", [16, 32])
def test_directory_entry_offsets(tmp_path: Path, fat: int) -> None:
    """32 bytes: name 0-10, attributes 11 (0F long name), cluster high@20, low@26, size u32@28; 00 end, E5 deleted."""
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=fat)
    note = tmp_path / "a long file name.text"
    note.write_bytes(b"12345")
    run("mcopy", "-i", image, note, "::")
    prepare_in_image(image, HEADER, 700)
    entries = [root_of(image)[at : at + 32] for at in range(0, 512, 32)]
    label = entries[0]
    assert label[11] & 0x08, "the volume's label"
    assert [entry[11] for entry in entries[1:3]] == [0x0F, 0x0F], "two pieces of the long name"
    assert entries[3][:11] == b"ALONGF~1TEX"
    assert u32(entries[3], 28) == 5
    journal = entries[4]
    assert journal[:11] == b"OFFTAKE JNL"
    assert u32(journal, 28) == 700 * 512
    cluster = u16(journal, 20) << 16 | u16(journal, 26)
    found = locate_in_image(image)
    assert found.extents[0].first_sector == found.volume.sector_of(cluster)
    assert entries[5][0] == 0x00
    run("mdel", "-i", image, "::OFFTAKE.JNL")
    assert root_of(image)[4 * 32] == 0xE5


@pytest.mark.parametrize(("fat", "mask", "least"), [(16, 0xFFFF, 0xFFF8), (32, 0x0FFFFFFF, 0x0FFFFFF8)])
def test_chain_marks(tmp_path: Path, fat: int, mask: int, least: int) -> None:
    """End of chain FAT16 >= FFF8, FAT32 >= 0FFFFFF8 (28 bits); each entry names the next cluster."""
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=fat, sectors_per_cluster=2 if fat == 16 else 1)
    prepare_in_image(image, HEADER, 60)
    found = locate_in_image(image)
    volume = found.volume
    first = (found.extents[0].first_sector - volume.data_start) // volume.sectors_per_cluster + 2
    count = 60 // volume.sectors_per_cluster
    width = fat // 8
    raw = image.read_bytes()
    for copy in range(2):
        table = (volume.fat_start + copy * volume.fat_sectors) * 512
        entries = [
            int.from_bytes(raw[table + cluster * width :][:width], "little") & mask
            for cluster in range(first, first + count)
        ]
        assert entries[:-1] == list(range(first + 1, first + count))
        assert least <= entries[-1] <= mask
    assert volume.end_of_chain == least
