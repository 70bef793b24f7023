"""Opening a journal from a file, a folder, a card image: the same bytes each way, and damage worked around."""

from __future__ import annotations

import errno
import os
import random
from pathlib import Path

import pytest
from offtake.card import locate_in_image, make_card_image, open_journal, prepare_in_image
from offtake.card.volume import find_volume, open_medium
from offtake.errors import DamageError, InputOutputError, UsageError

HEADER = b"OFTKJNL1" + bytes(504)
BLOCKS = 300


@pytest.fixture
def card(tmp_path: Path) -> tuple[Path, bytes]:
    """A card whose journal lies in three pieces, filled with seeded bytes; the path and those bytes."""
    path = tmp_path / "a card.img"
    make_card_image(path, 40, fat=32, mbr=True, sectors_per_cluster=1, bad_clusters=(100, 150))
    prepare_in_image(path, HEADER, BLOCKS)
    content = HEADER + random.Random(11).randbytes((BLOCKS - 1) * 512)
    at = 0
    with path.open("r+b") as image:
        for extent in locate_in_image(path).extents:
            image.seek(extent.first_sector * 512)
            image.write(content[at : at + extent.sectors * 512])
            at += extent.sectors * 512
    return path, content


def test_image_file_and_folder_give_the_same_bytes(card: tuple[Path, bytes], tmp_path: Path) -> None:
    path, content = card
    folder = tmp_path / "mounted card"
    folder.mkdir()
    (folder / "offtake.jnl").write_bytes(content)
    for source, kind in ((path, "image"), (folder, "folder"), (folder / "offtake.jnl", "file")):
        with open_journal(source) as journal:
            assert (journal.kind, journal.size) == (kind, len(content))
            assert str(source) in journal.description
            assert journal.read(0, journal.size) == content
            numbers = random.Random(5)
            for _ in range(200):
                offset, length = numbers.randrange(len(content) + 600), numbers.randrange(70_000)
                assert journal.read(offset, length) == content[offset : offset + length]
            assert journal.unreadable == []
            with pytest.raises(UsageError, match="numbers from 0 on"):
                journal.read(-1, 5)


def test_the_second_table_helps_when_the_first_is_broken(card: tuple[Path, bytes]) -> None:
    path, content = card
    with open_medium(path) as medium:
        volume = find_volume(medium, str(path))
    with path.open("r+b") as image:
        image.seek(volume.fat_start * 512 + 4 * 20)
        image.write(bytes(4))
    with open_journal(path) as journal:
        assert "by copy 2 of the allocation table" in journal.description
        assert journal.read(0, journal.size) == content
    with path.open("r+b") as image:
        image.seek((volume.fat_start + volume.fat_sectors) * 512 + 4 * 20)
        image.write(bytes(4))
    with pytest.raises(DamageError, match=r"goes to cluster 0 after \d+ of 300 clusters"):
        open_journal(path)


def test_unreadable_sectors_are_zeros_and_listed(
    card: tuple[Path, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, content = card
    extents = locate_in_image(path).extents
    bad_sector = extents[1].first_sector + 3
    bad_offset = (extents[0].sectors + 3) * 512
    real = os.pread

    def failing(handle: int, count: int, offset: int) -> bytes:
        if offset < (bad_sector + 1) * 512 and offset + count > bad_sector * 512:
            raise OSError(errno.EIO, "Input/output error")
        return real(handle, count, offset)

    with open_journal(path) as journal:
        monkeypatch.setattr(os, "pread", failing)
        expected = content[:bad_offset] + bytes(512) + content[bad_offset + 512 :]
        assert journal.read(0, journal.size) == expected
        assert journal.read(bad_offset + 100, 1000) == expected[bad_offset + 100 : bad_offset + 1100]
        assert journal.unreadable == [bad_offset]


def test_a_medium_that_is_gone_is_an_error(card: tuple[Path, bytes], monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(handle: int, count: int, offset: int) -> bytes:
        raise OSError(errno.ENODEV, "No such device")

    with open_journal(card[0]) as journal:
        monkeypatch.setattr(os, "pread", gone)
        with pytest.raises(InputOutputError, match=r"a card\.img: cannot read at byte \d+: No such device"):
            journal.read(0, 512)


def test_a_cut_image_gives_what_it_holds(card: tuple[Path, bytes]) -> None:
    path, content = card
    last = locate_in_image(path).extents[-1]
    with path.open("r+b") as image:
        image.truncate((last.first_sector + 10) * 512 + 77)
    held = len(content) - last.sectors * 512 + 10 * 512 + 77
    with open_journal(path) as journal:
        assert journal.read(0, journal.size) == content[:held]
        assert journal.read(held, 512) == b""


def test_a_journal_with_a_damaged_beginning_is_still_opened(tmp_path: Path) -> None:
    path = tmp_path / "pulled.jnl"
    path.write_bytes(b"\x13" * 1300)
    with open_journal(path) as journal:
        assert (journal.kind, journal.size) == ("file", 1300)
        assert journal.read(1024, 512) == b"\x13" * 276


def test_what_cannot_be_opened_says_why(tmp_path: Path) -> None:
    empty = tmp_path / "empty.jnl"
    empty.write_bytes(b"")
    with pytest.raises(DamageError, match=r"empty\.jnl: the file is empty .expected a journal"):
        open_journal(empty)
    card = tmp_path / "card"
    card.mkdir()
    with pytest.raises(DamageError, match=r"no OFFTAKE\.JNL in the folder .*offtake prepare"):
        open_journal(card)
    (tmp_path / "folder.jnl").mkdir()
    with pytest.raises(DamageError, match=r"folder, but empty\.jnl: give one of them .expected a journal's file"):
        open_journal(tmp_path)
    for name in "b.JNL", "a.jnl", "d.jnl", "c.jnl.index", "c.jnl":
        (tmp_path / name).write_bytes(b"")
    with pytest.raises(DamageError, match=r"but a\.jnl, b\.JNL, c\.jnl and 2 more: give one"):
        open_journal(tmp_path)
    with pytest.raises(InputOutputError, match="cannot open: No such file"):
        open_journal(tmp_path / "none")
    with pytest.raises(UsageError, match="neither a file nor a card"):
        open_journal(Path("/dev/null"))
    bare = tmp_path / "bare.img"
    make_card_image(bare, 40, fat=16)
    with pytest.raises(DamageError, match=r"bare\.img: no OFFTAKE\.JNL in the card's top folder"):
        open_journal(bare)
