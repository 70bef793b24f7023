"""The reader of FAT cards: finds the journal by the logger's rules, and names what is wrong and where."""

from __future__ import annotations

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from offtake.card import Extent, locate_in_image, make_card_image, prepare_in_image
from offtake.card.volume import find_volume, open_medium
from offtake.errors import DamageError, OfftakeError

HEADER = b"OFTKJNL1" + bytes(range(200)) + bytes(304)
BLOCKS = 300
SIZES_MIB = {16: 20, 32: 40}
"""Sizes that clusters of one sector suit."""


def prepared(path: Path, **options: object) -> Path:
    make_card_image(path, 40, **options)  # type: ignore[arg-type]
    prepare_in_image(path, HEADER, BLOCKS)
    return path


def patch(path: Path, offset: int, data: bytes) -> None:
    with path.open("r+b") as image:
        image.seek(offset)
        image.write(data)


def set_entry(path: Path, cluster: int, value: int, copies: tuple[int, ...] = (0, 1)) -> None:
    with open_medium(path) as medium:
        volume = find_volume(medium, str(path))
    width = volume.fat_bits // 8
    for copy in copies:
        start = (volume.fat_start + copy * volume.fat_sectors) * 512
        patch(path, start + cluster * width, value.to_bytes(width, "little"))


def first_cluster(path: Path) -> int:
    found = locate_in_image(path)
    volume = found.volume
    return (found.extents[0].first_sector - volume.data_start) // volume.sectors_per_cluster + 2


@pytest.mark.parametrize("fat", [16, 32])
@pytest.mark.parametrize("mbr", [False, True])
def test_a_fresh_card_gives_one_extent_that_holds_the_bytes(tmp_path: Path, fat: int, mbr: bool) -> None:
    card = prepared(tmp_path / "a card.img", fat=fat, mbr=mbr)
    found = locate_in_image(card)
    assert found.size_bytes == BLOCKS * 512
    assert found.volume.fat_bits == fat
    assert [extent.sectors for extent in found.extents] == [BLOCKS]
    raw = card.read_bytes()
    start = found.extents[0].first_sector * 512
    assert raw[start : start + BLOCKS * 512] == HEADER + b"\xff" * 512 * (BLOCKS - 1)


@pytest.mark.parametrize("fat", [16, 32])
def test_pieces_are_found_in_order(tmp_path: Path, fat: int) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, SIZES_MIB[fat], fat=fat, sectors_per_cluster=1, bad_clusters=(100, 150))
    prepare_in_image(card, HEADER, BLOCKS)
    found = locate_in_image(card)
    data = found.volume.data_start
    # FAT32's top folder takes cluster 2, so the file begins at 3 there.
    first = 2 if fat == 16 else 3
    assert found.extents == (
        Extent(data + first - 2, 100 - first),
        Extent(data + 99, 49),
        Extent(data + 149, BLOCKS - (100 - first) - 49),
    )


@pytest.mark.parametrize("kind", [0x04, 0x06, 0x0E, 0x0B, 0x0C])
def test_every_fat_partition_type_is_taken(tmp_path: Path, kind: int) -> None:
    card = prepared(tmp_path / "card.img", fat=16, mbr=True)
    patch(card, 446 + 4, bytes([kind]))
    assert locate_in_image(card).size_bytes == BLOCKS * 512


def test_a_later_partition_is_found_behind_a_foreign_one(tmp_path: Path) -> None:
    card = prepared(tmp_path / "card.img", fat=32, mbr=True)
    entry = card.read_bytes()[446:462]
    patch(card, 446, bytes([0, 0, 0, 0, 0x83, 0, 0, 0]) + struct.pack("<II", 64, 64) + entry)
    assert locate_in_image(card).size_bytes == BLOCKS * 512


def test_labels_long_names_and_deleted_files_are_passed_over(tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, 40, fat=16)
    note = tmp_path / "a long name that takes several entries.txt"
    note.write_text("note")
    subprocess.run(["mcopy", "-i", card, note, "::"], check=True)
    prepare_in_image(card, HEADER, BLOCKS)
    subprocess.run(["mdel", "-i", card, "::OFFTAKE.JNL"], check=True)
    with pytest.raises(DamageError, match=r"no OFFTAKE\.JNL in the card's top folder"):
        locate_in_image(card)
    prepare_in_image(card, HEADER, BLOCKS + 7)
    assert locate_in_image(card).size_bytes == (BLOCKS + 7) * 512
    # A volume label may read like the file's name; it is none.
    subprocess.run(["mlabel", "-i", card, "::OFFTAKE.JNL"], check=True, capture_output=True)
    assert locate_in_image(card).size_bytes == (BLOCKS + 7) * 512


def test_a_name_in_a_subfolder_does_not_count(tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, 40, fat=16)
    subprocess.run(["mmd", "-i", card, "::OLD", "::OFFTAKE.JNL"], check=True)
    with pytest.raises(DamageError, match=r"OFFTAKE\.JNL is a folder \(sector \d+\).*expected a file"):
        locate_in_image(card)


def fat12(path: Path) -> None:
    with path.open("wb") as image:
        image.truncate(4 << 20)
    subprocess.run(["/usr/sbin/mkfs.fat", "-F", "12", path], check=True, capture_output=True)


def exfat(path: Path) -> None:
    sector = bytearray(512)
    sector[0:3], sector[3:11], sector[510:] = b"\xeb\x76\x90", b"EXFAT   ", b"\x55\xaa"
    path.write_bytes(bytes(sector) + bytes(64 * 512))


def exfat_in_a_partition(path: Path) -> None:
    exfat(path)
    table = bytearray(512)
    table[446:462] = bytes([0, 0, 0, 0, 0x07, 0, 0, 0]) + struct.pack("<II", 8, 57)
    table[510:] = b"\x55\xaa"
    path.write_bytes(bytes(table) + bytes(7 * 512) + path.read_bytes())


def gpt(path: Path) -> None:
    table = bytearray(512)
    table[446:462] = bytes([0, 0, 2, 0, 0xEE, 0, 0, 0]) + struct.pack("<II", 1, 1000)
    table[510:] = b"\x55\xaa"
    path.write_bytes(bytes(table) + bytes(64 * 512))


def big_sectors(path: Path) -> None:
    with path.open("wb") as image:
        image.truncate(64 << 20)
    subprocess.run(["/usr/sbin/mkfs.fat", "-F", "16", "-S", "1024", path], check=True, capture_output=True)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (fat12, r"card\.img: the card is formatted as FAT12.*expected FAT16 or FAT32: a card of 32 MB or more"),
        (exfat, r"card\.img: the card is formatted as exFAT.*reformat it as FAT32.*mkfs\.fat -F 32"),
        (exfat_in_a_partition, r"formatted as exFAT.*reformat it as FAT32"),
        (gpt, r"no FAT volume on the card, but a GPT partition table.*expected one FAT16 or FAT32 partition"),
        (big_sectors, r"sectors of 1024 bytes.*expected sectors of 512 bytes"),
        (lambda path: path.write_bytes(b""), r"card\.img: the file is empty"),
        (lambda path: path.write_bytes(bytes(4096)), r"sector 0 does not end in 55 AA"),
        (lambda path: path.write_bytes(b"x" * 100), r"sector 0 does not end in 55 AA"),
    ],
)
def test_other_formats_are_refused_with_what_to_do(
    tmp_path: Path, make: Callable[[Path], object], message: str
) -> None:
    card = tmp_path / "card.img"
    make(card)
    with pytest.raises(DamageError, match=message):
        locate_in_image(card)


@pytest.mark.parametrize("fat", [16, 32])
@pytest.mark.parametrize(
    ("value", "message"),
    [
        (0, r"goes to cluster 0 after 2 of"),
        (1, r"goes to cluster 1 after 2 of"),
        (0x0FFFFFF7, r"goes to cluster (65527|268435447) after 2 of"),
        (0x0FFFFFF8, r"chain of OFFTAKE\.JNL ends after 2 of \d+ clusters \(sector \d+\)"),
    ],
)
def test_a_broken_chain_is_named_with_its_sector(tmp_path: Path, fat: int, value: int, message: str) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, SIZES_MIB[fat], fat=fat, sectors_per_cluster=1)
    prepare_in_image(card, HEADER, BLOCKS)
    mask = 0xFFFF if fat == 16 else 0x0FFFFFFF
    set_entry(card, first_cluster(card) + 1, value & mask)
    with pytest.raises(DamageError, match=message):
        locate_in_image(card)


@pytest.mark.parametrize("fat", [16, 32])
def test_a_loop_is_named(tmp_path: Path, fat: int) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, SIZES_MIB[fat], fat=fat, sectors_per_cluster=1)
    prepare_in_image(card, HEADER, BLOCKS)
    first = first_cluster(card)
    set_entry(card, first + 20, first + 5)
    with pytest.raises(DamageError, match=rf"comes back to cluster {first + 5} \(sector \d+\)"):
        locate_in_image(card)


def test_a_looping_top_folder_ends(tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, 40, fat=32, sectors_per_cluster=1)
    with open_medium(card) as medium:
        volume = find_volume(medium, "card")
    patch(card, volume.sector_of(2) * 512, (b"\xe5" + bytes(31)) * 16)
    set_entry(card, 2, 2)
    with pytest.raises(DamageError, match=r"no OFFTAKE\.JNL"):
        locate_in_image(card)


def test_an_empty_journal_file_is_refused(tmp_path: Path) -> None:
    card = tmp_path / "card.img"
    make_card_image(card, 40, fat=16)
    empty = tmp_path / "OFFTAKE.JNL"
    empty.write_bytes(b"")
    subprocess.run(["mcopy", "-i", card, empty, "::"], check=True)
    with pytest.raises(DamageError, match=r"OFFTAKE\.JNL is empty \(sector \d+\)"):
        locate_in_image(card)


def test_a_truncated_image_is_refused_where_the_table_is_cut(tmp_path: Path) -> None:
    card = prepared(tmp_path / "card.img", fat=16)
    with card.open("r+b") as image:
        image.truncate(3 * 512)
    with pytest.raises(DamageError, match="the card ends inside"):
        locate_in_image(card)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    edits=st.lists(
        st.tuples(st.sampled_from(["mbr", "boot", "fat", "root"]), st.integers(0, 511), st.integers(0, 255)),
        min_size=1,
        max_size=6,
    ),
    fat=st.sampled_from([16, 32]),
)
def test_any_damage_gives_an_answer_or_a_named_error(
    tmp_path_factory: pytest.TempPathFactory, edits: list[tuple[str, int, int]], fat: int
) -> None:
    card = master_card(tmp_path_factory, fat)
    with open_medium(card) as medium:
        volume = find_volume(medium, str(card))
    sectors = {"mbr": 0, "boot": volume.start, "fat": volume.fat_start, "root": volume.root_start}
    saved = {place: read_sector(card, sector) for place, sector in sectors.items()}
    try:
        for place, at, value in edits:
            patch(card, sectors[place] * 512 + at, bytes([value]))
        try:
            found = locate_in_image(card)
        except OfftakeError:
            return
        assert sum(extent.sectors for extent in found.extents) == -(-found.size_bytes // 512)
    finally:
        for place, sector in sectors.items():
            patch(card, sector * 512, saved[place])


def read_sector(path: Path, sector: int) -> bytes:
    with path.open("rb") as image:
        image.seek(sector * 512)
        return image.read(512)


MASTERS: dict[int, Path] = {}


def master_card(factory: pytest.TempPathFactory, fat: int) -> Path:
    """One card for all examples: each example takes its damage back."""
    if fat not in MASTERS:
        MASTERS[fat] = prepared(factory.mktemp("master") / "card.img", fat=fat, mbr=True)
    return MASTERS[fat]
