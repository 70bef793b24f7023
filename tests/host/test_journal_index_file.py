"""The index beside a journal's file: made once, believed while it fits, else made again, and never in the way."""

from __future__ import annotations

import os
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from damage_ways import damaged, flip_bits
from journal_checks import check_account
from journal_maker import Maker
from measured_logs import Log, rmc
from offtake.card import mounted_as, open_journal
from offtake.errors import InputOutputError
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.indexed import index_notes, indexed
from offtake.jobs.lines import store_timeline, stored_timeline
from offtake.jobs.runs import Hearing, read_run
from offtake.jobs.verify import check
from offtake.journal import index_file
from offtake.journal.codec import CHECK_AT, seal
from offtake.journal.index_file import index_path
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from offtake.journal.stale import StaleIndexError
from scalar_survey import told


class PassedOverError(Exception):
    """The file was passed over."""


def journal_file(folder: Path, seed: int = 2) -> Path:
    path = folder / "day.jnl"
    path.write_bytes(damaged(seed, flip_bits))
    return path


def found_of(path: Path) -> Salvage:
    with open_journal(path) as opened:
        found = indexed(path, opened)
        assert found.index is not None
        frames = list(found.frames())
    plain = salvage(BytesSource(path.read_bytes()))
    assert found.account == plain.account
    assert told(found.survey()) == told(plain.survey())
    assert frames == list(plain.frames())
    check_account(found)
    return found


def is_passed_over(path: Path) -> bool:
    with pytest.MonkeyPatch.context() as patch, open_journal(path) as opened:
        patch.setattr(Salvage, "_pass_over", lambda _, **__: (_ for _ in ()).throw(PassedOverError))
        try:
            indexed(path, opened)
        except PassedOverError:
            return True
    return False


def test_it_is_made_once_and_spares_the_passage(tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    found_of(path)
    assert sorted(one.name for one in tmp_path.iterdir()) == ["day.jnl", "day.jnl.index"]
    assert not is_passed_over(path)
    found_of(path)


def change_size(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-BLOCK_SIZE])


def change_time(path: Path) -> None:
    os.utime(path, ns=(0, 12345))


def change_header(path: Path) -> None:
    _change_block(path, 0)


def change_first_block(path: Path) -> None:
    _change_block(path, 1)


def change_last_block(path: Path) -> None:
    _change_block(path, _last_position(path))


def change_last_check(path: Path) -> None:
    _change_block(path, _last_position(path), CHECK_AT)


def change_whole_last_block(path: Path) -> None:
    """Into another sound one, with a sound check of its own."""
    last = _last_position(path)
    block = bytearray(path.read_bytes()[last * BLOCK_SIZE :][:CHECK_AT])
    block[200] ^= 1
    _put_block(path, last, seal(bytes(block)))


def change_next_block(path: Path) -> None:
    _change_block(path, _last_position(path) + 1)


def _last_position(path: Path) -> int:
    with open_journal(path) as opened:
        index = indexed(path, opened).index
    assert index is not None
    return index.last_position()


def _change_block(path: Path, position: int, at: int = 100) -> None:
    block = bytearray(path.read_bytes()[position * BLOCK_SIZE :][:BLOCK_SIZE])
    block[at] ^= 1
    _put_block(path, position, bytes(block))


def _put_block(path: Path, position: int, block: bytes) -> None:
    """With the old time: only its bytes tell."""
    status = path.stat()
    data = bytearray(path.read_bytes())
    data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = block
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def by_size_and_time(status: os.stat_result) -> dict[str, int]:
    """All that a file system without more tells, or that someone has made to look as before."""
    return {"size": status.st_size, "mtime_ns": status.st_mtime_ns}


CHANGES = [
    change_size, change_time, change_header, change_first_block, change_last_block, change_last_check,
    change_whole_last_block, change_next_block,
]  # fmt: skip


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: change.__name__)
def test_a_stale_one_is_made_again(
    change: Callable[[Path], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index_file, "_state_of", by_size_and_time)
    path = tmp_path / "day.jnl"
    maker = Maker(64)
    maker.flight(random.Random(1), 20)
    path.write_bytes(maker.whole())
    found_of(path)
    assert not is_passed_over(path)
    change(path)
    assert is_passed_over(path)
    found_of(path)
    assert not is_passed_over(path)


def test_one_of_another_version_is_made_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = journal_file(tmp_path)
    monkeypatch.setattr(index_file, "INDEX_VERSION", 99)
    found_of(path)
    assert not is_passed_over(path)
    monkeypatch.undo()
    assert is_passed_over(path)
    found_of(path)
    assert not is_passed_over(path)


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_one_counts_as_none(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    path = journal_file(tmp_path)
    found_of(path)
    index = index_path(path)
    data = bytearray(index.read_bytes())
    if seed % 4 == 0:
        del data[rng.randrange(len(data)) :]
    else:
        for _ in range(rng.choice((1, 20))):
            data[rng.randrange(len(data))] = rng.randrange(256)
    index.write_bytes(data)
    found_of(path)
    found_of(path)


def test_damage_that_an_index_does_not_know_of_is_found_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "day.jnl"
    maker = Maker(64)
    maker.flight(random.Random(1), 20)
    path.write_bytes(maker.whole())
    assert check(path, 1).clean
    assert check(path).clean
    monkeypatch.setattr(index_file, "_state_of", by_size_and_time)
    assert check(path, 1).clean
    _change_block(path, 7)
    assert not is_passed_over(path)
    with open_journal(path) as opened, pytest.raises(StaleIndexError):
        list(indexed(path, opened).frames())
    for run in (None, 1):
        found = check(path, run)
        assert [one.reason for one in found.report.findings if one.severity == "damage"] == [
            "bad_block_check",
            "missing_blocks",
        ]
    # By the new one what is left of the block is found, too.
    found_of(path)
    assert not is_passed_over(path)


@pytest.mark.parametrize("part", ["beginning", "end", "version"])
def test_one_of_ours_that_is_damaged_is_replaced(part: str, tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    found_of(path)
    good = index_path(path).read_bytes()
    half = len(good) // 2
    spoiled = {
        "beginning": b"\xff" * half + good[half:],
        "end": good[:half] + b"\xff" * (len(good) - half),
        "version": good.replace(b'"size"', b'"SIZE"'),
    }[part]
    index_path(path).write_bytes(spoiled)
    with open_journal(path) as opened:
        assert index_notes(path, opened) == ()
    assert is_passed_over(path)
    found_of(path)
    assert not is_passed_over(path)


@pytest.mark.parametrize(
    "content",
    [b"", b"not an index", b"ARROW1\0\0" + bytes(100), b"offtake_journal_index", b"offtake_journal_index ARROW1 "],
)
def test_what_is_no_index_stays_unless_it_is_empty(content: bytes, tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    index_path(path).write_bytes(content)
    with open_journal(path) as opened:
        assert bool(index_notes(path, opened)) == bool(content)
    found_of(path)
    assert (index_path(path).read_bytes() == content) == bool(content)


def test_a_link_to_an_index_that_fits_is_nothing_to_tell_of(tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    found_of(path)
    index_path(path).rename(tmp_path / "elsewhere")
    index_path(path).symlink_to(tmp_path / "elsewhere")
    with open_journal(path) as opened:
        assert index_notes(path, opened) == ()
        (tmp_path / "elsewhere").write_bytes(b"x")
        assert index_notes(path, opened)


def test_a_folder_or_a_link_of_its_name_stays(tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    index_path(path).mkdir()
    found_of(path)
    index_path(path).rmdir()
    (tmp_path / "other").write_bytes(b"precious")
    index_path(path).symlink_to(tmp_path / "other")
    found_of(path)
    assert (tmp_path / "other").read_bytes() == b"precious"
    os.mkfifo(tmp_path / "pipe")
    index_path(path).unlink()
    index_path(path).symlink_to(tmp_path / "pipe")
    found_of(path)


def test_where_none_can_be_written_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = journal_file(tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    found_of(path)
    assert [one.name for one in tmp_path.iterdir()] == ["day.jnl"]


def test_a_journal_that_changes_meanwhile_gets_none(tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    before = os.stat(path)
    with open_journal(path) as opened:
        found = indexed(path, opened)
        index_path(path).unlink()
        change_time(path)
        assert found.index is not None
        assert not index_file.save_index(found.index, path, opened, before)
    assert not index_path(path).exists()


def test_an_image_and_a_folder_get_none(tmp_path: Path) -> None:
    folder = tmp_path / "card"
    folder.mkdir()
    (folder / "OFFTAKE.JNL").write_bytes(damaged(2))
    with open_journal(folder) as opened:
        assert indexed(folder, opened).index is not None
    assert [one.name for one in folder.iterdir()] == ["OFFTAKE.JNL"]
    assert [one.name for one in tmp_path.iterdir()] == ["card"]


def test_a_fitted_line_is_kept_for_how_the_run_was_heard(tmp_path: Path) -> None:
    log = Log()
    log.run()
    for second in range(40):
        log.say(second, rmc(second))
    path = tmp_path / "day.jnl"
    path.write_bytes(log.data())
    how = Hearing(latency_s=0.05)
    with open_journal(path) as opened:
        found = indexed(path, opened)
        line = read_run(found, found.runs()[0], how).track.timeline
        assert line is not None
        assert stored_timeline(found, 1, how) is None
        assert store_timeline(found, path, opened, 1, how, line)
        assert stored_timeline(found, 1, how) is not None
    with open_journal(path) as opened:
        kept = stored_timeline(indexed(path, opened), 1, how)
        assert stored_timeline(indexed(path, opened), 1, Hearing()) is None
    assert kept is not None
    ticks = np.arange(-5_000_000, 60_000_000, 777_777)
    for one, other in zip(kept.stamp_many(ticks), line.stamp_many(ticks), strict=True):
        assert one.tolist() == other.tolist()
    assert (kept.latency_s, kept.notes) == (line.latency_s, line.notes)
    with open_journal(path) as opened:
        nothing = replace(line, knots_tick_s=np.empty(0), knots_gps_s=np.empty(0), knots_error_s=np.empty(0))
        assert not store_timeline(indexed(path, opened), path, opened, 1, how, nothing)


@pytest.mark.parametrize("content", [b"x" * 4096, b"\xff" * 4096, bytes(Maker(8).whole())])
def test_what_holds_no_run_gets_none(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "day.jnl"
    path.write_bytes(content)
    found_of(path)
    assert [one.name for one in tmp_path.iterdir()] == ["day.jnl"]


@pytest.mark.parametrize("what", ["ctime_ns", "inode"])
def test_a_file_that_was_changed_and_given_its_old_time_is_passed_over(
    what: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = journal_file(tmp_path)
    found_of(path)
    told = index_file._state_of
    monkeypatch.setattr(index_file, "_state_of", lambda status: {**told(status), what: 1})
    assert is_passed_over(path)


def test_a_journal_that_went_on_in_its_old_size_and_time_is_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(index_file, "_state_of", by_size_and_time)
    path = tmp_path / "day.jnl"
    # The third time it goes on at the file's beginning.
    maker = Maker(150)
    for run in (1, 2, 3):
        maker.flight(random.Random(run), 60)
        path.write_bytes(maker.whole())
        os.utime(path, ns=(10**18, 10**18))
        assert [info.run for info in found_of(path).runs()][-1] == run
    assert not is_passed_over(path)


@pytest.mark.parametrize("name", ["OFFTAKE.JNL", "offtake.jnl"])
def test_the_loggers_own_file_gets_none(name: str, tmp_path: Path) -> None:
    path = tmp_path / name
    path.write_bytes(damaged(2))
    (tmp_path / "link.jnl").symlink_to(path)
    for one in (path, tmp_path / "link.jnl"):
        found_of(one)
        assert check(one, 1).report.only_run == 1
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted([name, "link.jnl"])


@pytest.mark.parametrize("kind", ["vfat", "msdos", "exfat"])
def test_a_file_on_a_card_gets_none(kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    card, home = tmp_path / "card", tmp_path / "home"
    card.mkdir()
    home.mkdir()
    paths = [journal_file(card), home / "there.jnl", card / "here.jnl", home / "of_card" / "day.jnl"]
    paths[1].symlink_to(paths[0])
    paths[2].symlink_to(journal_file(home))
    (home / "of_card").symlink_to(card)

    def mounted(folder: Path) -> object:
        on_card = card in (folder.resolve(), *folder.resolve().parents)
        return replace(mounted_as(folder), file_system=kind if on_card else "ext4")

    monkeypatch.setattr("offtake.jobs.indexed.mounted_as", mounted)
    for path in paths:
        found_of(path)
    assert not [one for one in tmp_path.rglob("*") if "index" in one.name]
    found_of(home / "day.jnl")
    assert (home / "day.jnl.index").exists()


def test_where_nobody_can_tell_what_is_a_card_there_is_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def unknown(_: Path) -> object:
        raise InputOutputError("no table of mounts")

    monkeypatch.setattr("offtake.jobs.indexed.mounted_as", unknown)
    path = journal_file(tmp_path)
    found_of(path)
    assert not index_path(path).exists()
