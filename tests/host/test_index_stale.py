"""A block that has changed behind an index's back: the result is the same as without an index."""

from __future__ import annotations

import datetime as dt
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from counted_source import Counted
from journal_maker import Maker
from measured_logs import Log, rmc
from offtake import cli
from offtake.generated.records import BLOCK_SIZE, Raw
from offtake.jobs.export import export
from offtake.journal import index_file, ladder
from offtake.journal import salvage as salvage_module
from offtake.journal.codec import seal
from offtake.journal.index import index_of
from offtake.journal.index_file import index_path
from offtake.journal.salvage import Salvage, salvage
from scalar_survey import told

RUNS, SECONDS = 3, 54


@pytest.fixture
def journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Runs of a minute, with an index that nobody's clock betrays."""
    monkeypatch.setattr(
        index_file, "_state_of", lambda status: {"size": status.st_size, "mtime_ns": status.st_mtime_ns}
    )
    log = Log(Maker(200))
    for _ in range(RUNS):
        log.run()
        for second in range(SECONDS):
            log.say(second, rmc(second))
        log.close()
    path = tmp_path / "day.jnl"
    path.write_bytes(log.data())
    os.utime(path, ns=(10**18, 10**18))
    export(path, ["raw"], tmp_path / "first")
    assert index_path(path).exists()
    for one in tmp_path.glob("first*"):
        one.unlink()
    return path


def middle_of(path: Path, run: int) -> int:
    info = salvage(Counted(path.read_bytes())).runs()[run - 1]
    return (info.first_block + info.last_block) // 2


Change = Callable[[bytearray, int], None]


def three_bytes(data: bytearray, at: int) -> None:
    data[at + 100 : at + 103] = b"\xa5\x5a\xa5"


def erased(data: bytearray, at: int) -> None:
    data[at : at + BLOCK_SIZE] = bytes(BLOCK_SIZE)


def of_another_run(data: bytearray, at: int) -> None:
    block = bytearray(data[at : at + BLOCK_SIZE - 4])
    first = data[BLOCK_SIZE : 2 * BLOCK_SIZE]
    differ = [n for n in range(24) if block[n] != first[n]]
    assert differ
    for n in range(24):
        block[n] = first[n]
    data[at : at + BLOCK_SIZE] = seal(bytes(block))


def change(path: Path, how: Change, position: int) -> None:
    data = bytearray(path.read_bytes())
    how(data, position * BLOCK_SIZE)
    path.write_bytes(data)
    os.utime(path, ns=(10**18, 10**18))


def everything(folder: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> tuple[Any, ...]:
    """Exit code, what was said, and all files."""
    code = cli.main(arguments)
    said = capsys.readouterr()
    files = {}
    for one in sorted(folder.iterdir()):
        if one.name.startswith("out"):
            files[one.name] = one.read_bytes()
            one.unlink()
    return code, said.out, said.err, files


def span(first_s: int, last_s: int) -> list[str]:
    start = dt.datetime.fromisoformat(FIRST)
    times = [(start + dt.timedelta(seconds=one)).isoformat() for one in (first_s, last_s)]
    return ["--from", times[0], "--to", times[1]]


FIRST = "2024-05-01T12:00:00+00:00"

ASKED = {
    "raw": ["export", "--to", "raw", "-o", "out", "--json", "--run", "2"],
    "csv": ["export", "--to", "csv", "-o", "out", "--json", "--run", "2"],
    "raw and csv of a span": ["export", "--to", "raw,csv", "-o", "out", "--json", "--run", "2", *span(10, 50)],
    "all": ["export", "--to", "raw,csv", "-o", "out", "--json"],
    "report": ["report", "-o", "out.html", "--json"],
    "report of a run": ["report", "-o", "out.html", "--json", "--run", "2"],
    "verify of a run": ["verify", "--json", "--run", "2"],
}


CASES = [(one, three_bytes) for one in ASKED]
CASES += [(one, how) for one in ("raw", "verify of a run") for how in (erased, of_another_run)]


@pytest.mark.parametrize(("asked", "how"), CASES, ids=[f"{one}, {how.__name__}" for one, how in CASES])
def test_the_same_comes_of_it_as_without_an_index(
    asked: str, how: Change, journal: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = journal.parent
    monkeypatch.chdir(folder)
    arguments = [ASKED[asked][0], journal.name, *ASKED[asked][1:]]
    sound = everything(folder, arguments, capsys)
    assert sound[0] == 0, sound[2]
    change(journal, how, middle_of(journal, 2))
    by_index = everything(folder, arguments, capsys)
    index_path(journal).unlink()
    without = everything(folder, arguments, capsys)
    assert by_index == without
    assert without != sound
    if arguments[0] == "export" and how is three_bytes:
        assert json.loads(without[1])["damaged_bytes"]


@pytest.mark.parametrize("asked", ["raw", "report of a run", "verify of a run"])
def test_another_run_is_read_by_the_index_all_the_same(
    asked: str, journal: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(journal.parent)
    change(journal, three_bytes, middle_of(journal, 3))
    monkeypatch.setattr(Salvage, "_pass_over", None)
    arguments = [ASKED[asked][0], journal.name, *ASKED[asked][1:]]
    assert everything(journal.parent, arguments, capsys)[0] == 0


def test_a_whole_export_leaves_a_new_index_or_the_old_one(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old = index_path(journal).stat()
    export(journal, ["raw"], journal.parent / "out", replace=True)
    assert index_path(journal).stat().st_ino == old.st_ino, "nothing new, nothing written"
    change(journal, three_bytes, middle_of(journal, 2))
    done = export(journal, ["raw"], journal.parent / "out", replace=True)
    assert done.damaged_bytes
    assert index_path(journal).stat().st_ino != old.st_ino
    monkeypatch.setattr(Salvage, "_pass_over", None)
    assert export(journal, ["raw"], journal.parent / "out", run=2, replace=True).damaged_bytes == done.damaged_bytes


def short_runs(runs: int, bad: int) -> bytes:
    maker = Maker(runs + 8)
    for run in range(1, runs + 1):
        maker.run = run
        maker.block(0, [(Raw.CODE, 0, b"one"), (Raw.CODE, 1, b"two" * 30)])
    data = bytearray(maker.whole())
    if bad:
        data[bad * BLOCK_SIZE + BLOCK_SIZE - 1] ^= 1
    return bytes(data)


@pytest.mark.parametrize("ladders", [False, True])
def test_thousands_of_runs_are_not_read_for_one_that_is_damaged(ladders: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    runs = 1000
    data = short_runs(runs, bad=500)
    by_itself: list[int] = []
    one = ladder.ladder_of
    monkeypatch.setattr(salvage_module, "ladder_of", lambda tables, run: by_itself.append(run) or one(tables, run))
    monkeypatch.setattr("offtake.journal.bulk.window.WINDOW_BLOCKS", 128)
    source = Counted(data)
    found = salvage(source, ladders=ladders)
    before = source.given
    rungs = index_of(found).rungs
    assert by_itself == [500]
    assert source.given - before < (0.01 if ladders else 1.1) * len(data)
    assert rungs["run"].tolist() == list(range(1, runs + 1))
    plain = salvage(Counted(data))
    assert told(found.survey()) == told(plain.survey())


def test_a_run_is_found_without_a_look_at_all_the_others() -> None:
    found = salvage(Counted(short_runs(300, 0)))
    for info in found.runs()[::50]:
        (table,) = found.frame_tables(info.run)
        assert set(table.run.tolist()) == {info.run}
    assert not list(found.frame_tables(9999))
    assert found.order._by_run is not None
    runs, clusters = found.order._by_run
    assert runs.tolist() == sorted(found.order.extents["run"].tolist())
    assert clusters.shape == runs.shape
