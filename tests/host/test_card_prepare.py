"""Preparing a card: nothing overwritten unasked, clear errors, the card clean for fsck afterwards."""

from __future__ import annotations

import dataclasses
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from offtake.card import (
    JOURNAL_FILE_NAME,
    MountedAs,
    fsck,
    locate_in_image,
    make_card_image,
    mounted_as,
    open_journal,
    prepare_in_image,
    prepare_on_mount,
)
from offtake.card import mounts as mounts_module
from offtake.errors import DamageError, InputOutputError, UsageError

HEADER = b"OFTKJNL1" + bytes(504)
OTHER = b"OFTKJNL1" + b"\x07" * 504
Looker = Callable[[Path], MountedAs]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Stands for a mounted card: mounting one takes root, so what the kernel says of it is given instead."""
    path = tmp_path / "my card"
    path.mkdir()
    return path


def card(folder: Path, **changes: object) -> Looker:
    usual = MountedAs("vfat", folder.resolve(), Path("none"), False, 60_000, 4096, 100 << 20)
    return lambda _: dataclasses.replace(usual, **changes)  # type: ignore[arg-type]


def test_on_a_mount_the_file_is_whole_and_alone(folder: Path) -> None:
    seen: list[tuple[int, int]] = []
    made = prepare_on_mount(
        folder, HEADER, 4100, mounted_as=card(folder), progress=lambda done, size: seen.append((done, size))
    )
    path = folder / "OFFTAKE.JNL"
    assert path.read_bytes() == HEADER + b"\xff" * 512 * 4099
    assert os.listdir(folder) == ["OFFTAKE.JNL"]
    assert made.size_bytes == 4100 * 512
    assert made.where == str(path)
    assert made.replaced is None
    assert seen[-1] == (4100 * 512, 4100 * 512)
    assert len(seen) > 1


def test_on_a_mount_an_older_journal_stays_unless_said(folder: Path) -> None:
    # Some systems show a card's names in lower case.
    older = folder / "offtake.jnl"
    older.write_bytes(OTHER + b"recorded")
    with pytest.raises(UsageError, match=r"offtake\.jnl: there is a journal of 520 bytes already"):
        prepare_on_mount(folder, HEADER, 4, mounted_as=card(folder))
    assert older.read_bytes() == OTHER + b"recorded"
    made = prepare_on_mount(folder, HEADER, 4, replace=True, mounted_as=card(folder))
    assert made.replaced is not None
    assert (made.replaced.size_bytes, made.replaced.header) == (520, OTHER)
    assert older.read_bytes() == HEADER + b"\xff" * 1536
    assert len(os.listdir(folder)) == 1


def test_on_a_mount_without_room_the_figures_are_told_and_nothing_changes(folder: Path) -> None:
    with pytest.raises(InputOutputError, match=r"not enough room: 2,048 bytes needed, 2,047 free"):
        prepare_on_mount(folder, HEADER, 4, mounted_as=card(folder, free_bytes=2047))
    assert os.listdir(folder) == []
    (folder / JOURNAL_FILE_NAME).write_bytes(OTHER)
    with pytest.raises(InputOutputError, match=r"2,048 bytes needed, 1,000 free, 512 in the journal that"):
        prepare_on_mount(folder, HEADER, 4, replace=True, mounted_as=card(folder, free_bytes=1000))
    assert (folder / JOURNAL_FILE_NAME).read_bytes() == OTHER
    made = prepare_on_mount(folder, HEADER, 4, replace=True, mounted_as=card(folder, free_bytes=1536))
    assert made.replaced is not None
    assert (folder / JOURNAL_FILE_NAME).stat().st_size == 2048


def test_on_a_mount_an_interruption_leaves_the_older_journal(folder: Path) -> None:
    (folder / JOURNAL_FILE_NAME).write_bytes(OTHER)

    def interrupt(done: int, size: int) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare_on_mount(folder, HEADER, 4, replace=True, progress=interrupt, mounted_as=card(folder))
    assert (folder / JOURNAL_FILE_NAME).read_bytes() == OTHER
    assert os.listdir(folder) == [JOURNAL_FILE_NAME]


def test_on_a_mount_an_unfinished_file_of_ours_goes_and_anothers_stays(folder: Path) -> None:
    leftover = folder / "OFFTAKE.NEW"
    leftover.write_bytes(OTHER)
    prepare_on_mount(folder, HEADER, 4, mounted_as=card(folder))
    assert not leftover.exists()
    leftover.write_bytes(b"a shopping list")
    with pytest.raises(UsageError, match=r"OFFTAKE\.NEW: the name OFFTAKE\.NEW is taken by another file"):
        prepare_on_mount(folder, HEADER, 4, replace=True, mounted_as=card(folder))
    assert leftover.read_bytes() == b"a shopping list"


@pytest.mark.parametrize(
    ("changes", "kind", "message"),
    [
        ({"file_system": "exfat"}, DamageError, r"formatted as exFAT.*reformat it as FAT32"),
        ({"file_system": "ext4"}, DamageError, r"the folder is on ext4 .*not on a FAT card"),
        ({"clusters": 4084}, DamageError, r"formatted as FAT12.*expected FAT16 or FAT32"),
        ({"read_only": True}, InputOutputError, r"the card is read-only.*lock switch"),
        ({"mount_point": Path("/media")}, UsageError, r"not the card's top folder.*expected /media"),
    ],
)
def test_on_other_mounts_it_is_refused(
    folder: Path, changes: dict[str, object], kind: type[Exception], message: str
) -> None:
    with pytest.raises(kind, match=message):
        prepare_on_mount(folder, HEADER, 4, mounted_as=card(folder, **changes))
    assert os.listdir(folder) == []


def test_on_a_mount_whose_device_shows_many_pieces_nothing_is_left(folder: Path, tmp_path: Path) -> None:
    # The device of the pretended mount is an image that holds the unfinished file in pieces.
    device = tmp_path / "device.img"
    make_card_image(device, 40, fat=16, fragmented=True)
    made = tmp_path / "OFFTAKE.NEW"
    made.write_bytes(HEADER + b"\xff" * 512 * 2047)
    subprocess.run(["mcopy", "-i", device, made, "::"], check=True)
    with pytest.raises(DamageError, match=r"would lie in \d+ pieces.*at most 4; .*reformat it"):
        prepare_on_mount(folder, HEADER, 4, mounted_as=card(folder, device=device))
    assert os.listdir(folder) == []


def test_the_kernel_tells_of_this_very_folder(folder: Path) -> None:
    mount = mounted_as(folder)
    assert folder.resolve().is_relative_to(mount.mount_point)
    assert mount.file_system != "unknown"
    assert mount.free_bytes == pytest.approx(shutil.disk_usage(folder).free, rel=0.2)
    with pytest.raises(InputOutputError, match="cannot look at the folder: No such file"):
        mounted_as(folder / "gone")


def test_the_mount_table_is_read_as_proc_5_says() -> None:
    """The format stands in the manual page proc(5), /proc/[pid]/mountinfo (from memory)."""
    table = (
        "22 1 252:1 / / rw,relatime shared:1 - ext4 /dev/vda1 rw\n"
        "90 22 8:1 / /media/my\\040card rw,nosuid shared:5 master:2 - vfat /dev/sda1 rw,fmask=0022\n"
        "91 22 8:2 / /media/my\\040card rw - msdos /dev/sdb1 ro\n"
    )
    found = mounts_module._find_mount(table, Path("/media/my card"))
    assert found == ("msdos", Path("/media/my card"), Path("/dev/sdb1"))
    assert mounts_module._find_mount(table, Path("/media/my cards"))[0] == "ext4"


@pytest.mark.parametrize("fat", [16, 32])
@pytest.mark.parametrize("mbr", [False, True])
def test_in_an_image_the_card_stays_clean(tmp_path: Path, fat: int, mbr: bool) -> None:
    image = tmp_path / "a card.img"
    make_card_image(image, 40, fat=fat, mbr=mbr)
    made = prepare_in_image(image, HEADER, 5000, fill=0x5A)
    assert made.extents is not None
    assert len(made.extents) == 1
    assert fsck(image) == []
    with open_journal(image) as journal:
        assert journal.read(0, journal.size + 1) == HEADER + b"\x5a" * 512 * 4999


def test_in_an_image_an_older_journal_stays_unless_said(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=16)
    prepare_in_image(image, OTHER, 100)
    before = image.read_bytes()
    with pytest.raises(UsageError, match=r"there is a journal of 51,200 bytes already"):
        prepare_in_image(image, HEADER, 200)
    assert image.read_bytes() == before
    made = prepare_in_image(image, HEADER, 200, replace=True)
    assert made.replaced is not None
    assert (made.replaced.size_bytes, made.replaced.header) == (51_200, OTHER)
    assert locate_in_image(image).size_bytes == 200 * 512
    assert fsck(image) == []


def test_in_a_full_image_the_figures_are_told_and_replacing_makes_room(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 20, fat=16)
    with pytest.raises(InputOutputError, match=r"not enough room: 26,214,400 bytes needed, [\d,]+ free"):
        prepare_in_image(image, HEADER, 51_200)
    prepare_in_image(image, OTHER, 30_000)
    made = prepare_in_image(image, HEADER, 30_001, replace=True)
    assert made.size_bytes == 30_001 * 512
    assert locate_in_image(image).size_bytes == 30_001 * 512
    assert fsck(image) == []


def test_in_a_scattered_image_nothing_is_left(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=16, fragmented=True)
    with pytest.raises(DamageError, match=r"would lie in \d+ pieces.*at most 4; .*reformat it"):
        prepare_in_image(image, HEADER, 4096)
    assert fsck(image) == []
    listing = subprocess.run(["mdir", "-b", "-i", image, "::"], capture_output=True, text=True, check=False)
    assert listing.stdout == ""


def test_four_pieces_are_taken_and_five_are_not(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 20, fat=16, sectors_per_cluster=1, bad_clusters=(10, 20, 30, 40))
    made = prepare_in_image(image, HEADER, 30)
    assert made.extents is not None
    assert len(made.extents) == 4
    with pytest.raises(DamageError, match="would lie in 2 pieces"):
        prepare_in_image(image, HEADER, 30, replace=True, extents_max=1)
    assert locate_in_image(image).extents == made.extents
    other = tmp_path / "other.img"
    make_card_image(other, 20, fat=16, sectors_per_cluster=1, bad_clusters=(10, 20, 30, 40))
    with pytest.raises(DamageError, match="would lie in 5 pieces"):
        prepare_in_image(other, HEADER, 50)


def test_an_image_that_may_not_be_written_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=16)
    image.chmod(0o444)
    before = image.read_bytes()
    with pytest.raises(InputOutputError, match=r"card\.img: the card image is read-only"):
        prepare_in_image(image, HEADER, 4)
    assert image.read_bytes() == before


def test_what_is_no_image_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="not a card image"):
        prepare_in_image(tmp_path, HEADER, 4)
    with pytest.raises(InputOutputError, match="cannot open: No such file"):
        prepare_in_image(tmp_path / "none.img", HEADER, 4)
    text = tmp_path / "text.txt"
    text.write_text("no card" * 100)
    with pytest.raises(DamageError, match="sector 0 does not end in 55 AA"):
        prepare_in_image(text, HEADER, 4)
    assert text.read_text() == "no card" * 100


@pytest.mark.parametrize(
    ("header", "blocks", "fill", "message"),
    [
        (b"short", 4, 0, "a header of 5 bytes .expected 512"),
        (HEADER, 1, 0, "a journal of 1 blocks .expected 2 to 8388607"),
        (HEADER, 8_388_608, 0, "4 GiB"),
        (HEADER, 4, 256, "fill byte 256"),
    ],
)
def test_senseless_sizes_are_refused(
    tmp_path: Path, header: bytes, blocks: int, fill: int, message: str
) -> None:
    with pytest.raises(UsageError, match=message):
        prepare_in_image(tmp_path / "card.img", header, blocks, fill=fill)


def test_the_same_arguments_make_the_same_image(tmp_path: Path) -> None:
    for name in ("a.img", "b.img"):
        make_card_image(tmp_path / name, 40, fat=32, mbr=True, fragmented=True, label="TEST")
    assert (tmp_path / "a.img").read_bytes() == (tmp_path / "b.img").read_bytes()
    assert fsck(tmp_path / "a.img") == []
    with pytest.raises(UsageError, match="exists already"):
        make_card_image(tmp_path / "a.img", 40)
    with pytest.raises(UsageError, match=r"4 MiB"):
        make_card_image(tmp_path / "small.img", 4, fat=32)
    assert not (tmp_path / "small.img").exists()


@pytest.mark.parametrize("mbr", [False, True])
def test_fsck_sees_damage(tmp_path: Path, mbr: bool) -> None:
    image = tmp_path / "card.img"
    make_card_image(image, 40, fat=16, mbr=mbr)
    prepare_in_image(image, HEADER, 100)
    volume = locate_in_image(image).volume
    with image.open("r+b") as file:
        file.seek((volume.fat_start + volume.fat_sectors) * 512 + 2 * 9)
        file.write(b"\x00\x00")
    assert any("FATs differ" in line for line in fsck(image))
