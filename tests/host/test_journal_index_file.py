"""The index beside a journal's file: made once, believed while it fits, else made again, and never in the way."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from damage_ways import damaged, flip_bits
from journal_checks import check_account
from journal_maker import Maker
from measured_logs import Log, rmc
from offtake.card import open_journal
from offtake.generated.records import BLOCK_SIZE
from offtake.jobs.indexed import indexed
from offtake.jobs.lines import store_timeline, stored_timeline
from offtake.jobs.runs import Hearing, read_run
from offtake.jobs.verify import check
from offtake.journal import index_file
from offtake.journal.index_file import index_path
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
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
        patch.setattr(Salvage, "_pass_over", lambda _: (_ for _ in ()).throw(PassedOverError))
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


def change_last_block(path: Path) -> None:
    with open_journal(path) as opened:
        index = indexed(path, opened).index
    assert index is not None
    _change_block(path, index.last_position())


def _change_block(path: Path, position: int) -> None:
    """With the old time: only its bytes tell."""
    status = path.stat()
    data = bytearray(path.read_bytes())
    data[position * BLOCK_SIZE + 100] ^= 1
    path.write_bytes(data)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


@pytest.mark.parametrize("change", [change_size, change_time, change_header, change_last_block])
def test_a_stale_one_is_made_again(change: object, tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    found_of(path)
    assert callable(change)
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


def test_damage_that_an_index_does_not_know_of_is_found_all_the_same(tmp_path: Path) -> None:
    path = tmp_path / "day.jnl"
    maker = Maker(64)
    maker.flight(random.Random(1), 20)
    path.write_bytes(maker.whole())
    assert check(path, 1).clean
    assert check(path).clean
    _change_block(path, 7)
    assert not is_passed_over(path)
    for run in (None, 1):
        found = check(path, run)
        assert [one.reason for one in found.report.findings if one.severity == "damage"] == [
            "bad_block_check",
            "missing_blocks",
        ]
    with open_journal(path) as opened:
        frames = list(indexed(path, opened).frames())
    assert {frame.position for frame in frames} == set(range(1, 21)) - {7}


@pytest.mark.parametrize("content", [b"", b"not an index", b"ARROW1\0\0" + bytes(100)])
def test_what_is_no_index_stays_unless_it_is_empty(content: bytes, tmp_path: Path) -> None:
    path = journal_file(tmp_path)
    index_path(path).write_bytes(content)
    found_of(path)
    assert (index_path(path).read_bytes() == content) == bool(content)


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
