"""Whoever does the work and whatever interrupts it, the dataset ends up the same, file by file and byte for byte."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from crew_items import fails, kills_itself_over_two, sees_nothing
from offtake.cli import main
from offtake.collect import dataset as placing
from offtake.collect import manifest as noting
from offtake.collect.crew import LocalCrew, dask_crew
from offtake.collect.dataset import opened_dataset
from offtake.errors import InputOutputError
from offtake.jobs import collect as collecting
from offtake.jobs.collect import Settings, collect
from season import dataset_files, fill, journal

HERE = Settings(workers=1)
Files = dict[str, bytes]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("journals")
    fill(made, 4)
    (made / "bad.jnl").write_bytes(b"nothing of the kind")
    return made


@pytest.fixture(scope="module")
def whole(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Files:
    """The dataset as one process makes it that nobody disturbs."""
    season = tmp_path_factory.mktemp("whole") / "season"
    collect(folder, season, HERE)
    return dataset_files(season)


# Interrupted


class StopError(BaseException):
    """Stands for the end of the program: nobody may catch it and go on."""


class Fuse:
    """Ends the program at the n-th call of what it is put in front of; ``calls`` counts them."""

    def __init__(self, at: int) -> None:
        self.at = at
        self.calls = 0

    def in_front_of(self, function: Any, after: bool) -> Any:
        def called(*args: Any, **more: Any) -> Any:
            self.calls += 1
            if self.calls == self.at and not after:
                raise StopError
            result = function(*args, **more)
            if self.calls == self.at:
                raise StopError
            return result

        return called


def stopped_at(call: int, folder: Path, season: Path, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Collects until the ``call``-th time that something is changed in the dataset; whether it came to that."""
    fuse = Fuse(call)
    with monkeypatch.context() as patch:
        for module, name in ((placing.os, "replace"), (noting.os, "fsync"), (Path, "unlink")):
            patch.setattr(module, name, fuse.in_front_of(getattr(module, name), after=call % 2 == 0))
        try:
            collect(folder, season, HERE)
        except StopError:
            return True
    return False


@pytest.mark.parametrize("step", [1, 2, 3])
def test_stopped_at_any_moment_and_called_again(
    folder: Path, whole: Files, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """Stopped again and again in one dataset, each time a little later; readers always see a part of the whole."""
    season = tmp_path / "season"
    stops = 0
    call = step
    while stopped_at(call, folder, season, monkeypatch):
        stops += 1
        call += 4 + step
        seen = dataset_files(season)
        assert {name: whole[name] for name in seen} == seen
    assert stops >= 4
    assert dataset_files(season) == whole


def test_a_replacement_stopped_at_any_moment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Readers see the old or the new part of each table, each whole, and each row once."""
    journals = tmp_path / "journals"
    journals.mkdir()
    path = journals / "a.jnl"
    old, new = journal(0xC1, "boat", (6,)).data, journal(0xC1, "boat", (6, 5)).data
    path.write_bytes(new)
    collect(journals, tmp_path / "new", HERE)
    path.write_bytes(old)
    collect(journals, tmp_path / "old", HERE)
    wanted, before = dataset_files(tmp_path / "new"), dataset_files(tmp_path / "old")
    for call in range(2, 200, 9):
        season = tmp_path / f"season{call}"
        path.write_bytes(old)
        collect(journals, season, HERE)
        path.write_bytes(new)
        stopped = stopped_at(call, journals, season, monkeypatch)
        for name, data in dataset_files(season).items():
            assert data in (wanted.get(name), before.get(name))
        collect(journals, season, HERE)
        assert dataset_files(season) == wanted
        if not stopped:
            return
    pytest.fail("it was never done")


def test_killed_for_good_and_called_again(folder: Path, whole: Files, tmp_path: Path) -> None:
    season = tmp_path / "season"
    command = [sys.executable, "-m", "offtake", "collect", str(folder), "-o", str(season), "--workers", "2"]
    command[1:3] = ["-c", "import sys; from offtake.cli import main; sys.exit(main(sys.argv[1:]))"]
    for wait_for in (1, 25):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        end = time.monotonic() + 60
        while process.poll() is None and len(dataset_files(season)) < wait_for and time.monotonic() < end:
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
        process.wait()
        seen = dataset_files(season)
        assert {name: whole[name] for name in seen} == seen
    assert subprocess.run(command, capture_output=True).returncode == 1
    assert dataset_files(season) == whole
    left = {path.name for path in (season / "_offtake").iterdir()}
    assert left == {"lock", "manifest.jsonl", "set_aside.json", "token", "incoming", "ready"}
    assert not [*(season / "_offtake").glob("incoming/*"), *(season / "_offtake").glob("ready/*")]


def test_a_manifest_line_that_was_cut_short_does_not_count(folder: Path, whole: Files, tmp_path: Path) -> None:
    season = tmp_path / "season"
    collect(folder, season, HERE)
    path = season / "_offtake/manifest.jsonl"
    text = path.read_bytes()
    path.write_bytes(text[: text.index(b'"line": "end"') + 5])
    result = collect(folder, season, HERE)
    assert result.journals == 4
    assert dataset_files(season) == whole


def test_the_manifest_does_not_grow_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(noting, "_SPARE_LINES", 5)
    (tmp_path / "journals").mkdir()
    (tmp_path / "journals/a.jnl").write_bytes(journal(0xC1, "boat", (2,)).data)
    sizes = []
    for _ in range(7):
        collect(tmp_path / "journals", tmp_path / "season", Settings(workers=1, again=True))
        sizes.append(len((tmp_path / "season/_offtake/manifest.jsonl").read_bytes().splitlines()))
    assert max(sizes) <= 5 + 2 * 2 + 4


def test_one_at_a_time(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with opened_dataset(tmp_path / "season"):
        assert main(["collect", str(folder), "-o", str(tmp_path / "season"), "--workers", "1"]) == 3
    assert "another `offtake collect` is at work" in capsys.readouterr().err
    assert collect(folder, tmp_path / "season", HERE).taken == 4


# By several processes of this computer


def test_two_processes_make_the_same(folder: Path, whole: Files, tmp_path: Path) -> None:
    result = collect(folder, tmp_path / "season", Settings(workers=2))
    assert (result.taken, len(result.set_aside)) == (4, 1)
    assert dataset_files(tmp_path / "season") == whole


def test_progress_is_told_in_bytes(folder: Path, tmp_path: Path) -> None:
    from offtake.progress import Progress, Watch

    told: list[Progress] = []
    collect(folder, tmp_path / "season", Settings(workers=2), Watch(told.append))
    assert (
        told[-1].done == told[-1].total == sum(path.stat().st_size for path in folder.rglob("day*") if path.is_file())
    )


def test_what_a_process_dies_over_is_lost_and_nothing_else() -> None:
    crew = LocalCrew(2)
    assert dict(crew.results(kills_itself_over_two, [1, 2, 3, 4], lambda _: -1)) == {1: 10, 2: -1, 3: 30, 4: 40}
    with pytest.raises(InputOutputError, match="place 1: cannot write"):
        list(crew.results(fails, [1], lambda _: -1))


# On a cluster

distributed = pytest.importorskip("distributed")


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """A scheduler and two workers, each a process of its own."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, silence_logs=50
    ) as running:
        yield running


def test_a_cluster_that_loses_a_worker_makes_the_same(cluster: Any, folder: Path, whole: Files, tmp_path: Path) -> None:
    season = tmp_path / "season"
    with distributed.Client(cluster.scheduler_address, set_as_default=False) as client:
        pids = list(client.run(os.getpid).values())
        killed: list[int] = []

        def kill_one() -> None:
            end = time.monotonic() + 60
            begun: list[Path] = []
            while not begun and time.monotonic() < end:
                begun = list((season / "_offtake").glob("incoming/*/logger=*"))
            killed.append(int(begun[0].parent.name.split("-")[-2]))
            os.kill(killed[0], signal.SIGKILL)

        killer = threading.Thread(target=kill_one)
        killer.start()
        result = collect(folder, season, Settings(scheduler=cluster.scheduler_address))
        killer.join()
        assert killed[0] in pids
    assert (result.taken, len(result.set_aside)) == (4, 1)
    assert dataset_files(season) == whole
    for name in whole:
        assert pq.read_metadata(season / name).num_rows > 0


def test_workers_that_cannot_do_it_are_told_of(
    cluster: Any, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(collecting, "_versions", lambda: {"offtake": "99"})
    with pytest.raises(InputOutputError, match=r"worker tcp.*not 99"):
        collect(folder, tmp_path / "season", Settings(scheduler=cluster.scheduler_address))


def test_a_worker_without_the_file_system_is_told_of(cluster: Any) -> None:
    with (
        pytest.raises(InputOutputError, match="it does not see the dataset"),
        dask_crew(cluster.scheduler_address, sees_nothing),
    ):
        pytest.fail("the crew began")


def test_a_scheduler_that_is_not_there(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from offtake.collect import crew

    monkeypatch.setattr(crew, "CONNECT_S", 0.3)
    with pytest.raises(InputOutputError, match="no scheduler answers"):
        collect(folder, tmp_path / "season", Settings(scheduler="tcp://127.0.0.1:9"))


def test_without_dask(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputOutputError, match="Dask is not installed here"):
        collect(folder, tmp_path / "season", Settings(scheduler="tcp://127.0.0.1:9"))
