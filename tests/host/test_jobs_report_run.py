"""The report of one run: only its blocks are read once an index tells which those are, and it says no more."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from journal_maker import Maker, run_start
from offtake.errors import UsageError
from offtake.generated.records import BLOCK_SIZE, Raw, RunStart
from offtake.jobs.report import report
from offtake.journal.index_file import index_path
from offtake.progress import Watch
from report_inputs import epochs

LENGTHS_S = (40, 300, 20)


class Counting(Watch):
    """Counts the bytes that were read."""

    def __init__(self) -> None:
        self.bytes = 0
        super().__init__(lambda _: None)

    def read(self, count: int) -> None:
        self.bytes += count


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three runs, the second by far the longest; one of its blocks is damaged."""
    maker = Maker(8192)
    for seconds in LENGTHS_S:
        maker.run += 1
        maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
        for at, data in epochs(seconds, 5, random.Random(seconds)):
            for start in range(0, len(data), 400):
                maker.block(round(at * 250_000) + start * 40, [(Raw.CODE, 0, data[start : start + 400])])
    data = bytearray(maker.used())
    data[len(data) // 2] ^= 0x55
    path = tmp_path_factory.mktemp("report") / "day.jnl"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("run", "clean", "said"), [(1, True, "The run is whole"), (2, False, "Of the run's blocks")])
def test_one_run_is_told_alone(journal: Path, tmp_path: Path, run: int, clean: bool, said: str) -> None:
    done = report(journal, tmp_path / "page.html", run=run)
    assert done.clean is clean
    assert said in " ".join(done.answers)
    whole = report(journal, tmp_path / "whole.html")
    assert not whole.clean
    assert "Of the journal's blocks" in " ".join(whole.answers)


@pytest.mark.parametrize("run", [1, 3])
def test_only_the_runs_blocks_are_read(journal: Path, tmp_path: Path, run: int) -> None:
    first = report(journal, tmp_path / "first.html", run=run)
    assert index_path(journal).exists()
    counting = Counting()
    again = report(journal, tmp_path / "again.html", run=run, watch=counting)
    assert again.answers == first.answers
    assert (tmp_path / "again.html").read_bytes() == (tmp_path / "first.html").read_bytes()
    size = journal.stat().st_size
    share = LENGTHS_S[run - 1] / sum(LENGTHS_S)
    # Its blocks once to check them and once to decode them, and a few to see that the index is fresh.
    assert counting.bytes <= 2.5 * share * size + 32 * BLOCK_SIZE < size


def test_no_such_run_is_refused_before_anything_is_written(journal: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no run 4"):
        report(journal, tmp_path / "page.html", run=4)
    assert not (tmp_path / "page.html").exists()
