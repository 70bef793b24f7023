"""What is read and written is counted phase by phase, and shown on a terminal only, within its width."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest
from journal_maker import Maker
from measured_logs import Log, own_descriptions, rmc
from offtake.card import open_journal
from offtake.cli import show
from offtake.cli.bar import WIDTH, Bar
from offtake.export.aside import Together
from offtake.jobs.collect import collect
from offtake.jobs.export import export
from offtake.jobs.report import report
from offtake.progress import QUIET, Progress, Watch


def watched() -> tuple[Watch, list[Progress]]:
    """A watch, and what it tells."""
    told: list[Progress] = []
    return Watch(told.append), told


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A minute of fixes, as a pull takes it."""
    log = Log().run(own_descriptions())
    for second in range(60):
        log.say(second, rmc(second, 30.0 + second / 1000))
    path = tmp_path / "days" / "day1.jnl"
    path.parent.mkdir()
    path.write_bytes(log.data())
    return path


def test_what_is_read_is_counted_phase_by_phase(tmp_path: Path) -> None:
    path = tmp_path / "plain.jnl"
    path.write_bytes(Maker(64).whole())
    watch, told = watched()
    with open_journal(path) as opened:
        watch.expect(2)
        watch.over(opened, "checking")
        opened.read(0, 512)
        opened.read(30_000, 10_000)
        watch.phase("decoding", 1000)
        opened.read(0, 600)
        opened.read(0, 600)
        watch.phase("what a log says of itself", 2**40)
    assert told == [
        Progress("checking", 0, 32_768, 1, 2),
        Progress("checking", 512, 32_768, 1, 2),
        Progress("checking", 512 + 2_768, 32_768, 1, 2),
        Progress("decoding", 0, 1000, 2, 2),
        Progress("decoding", 600, 1000, 2, 2),
        Progress("decoding", 1000, 1000, 2, 2),
        Progress("what a log says of itself", 0, 32_768, 3, 3),
    ]


def test_half_is_done_when_rows_are_written() -> None:
    watch, told = watched()
    watch.phase("fixes", 4000, dealt=True)
    watch.read(2000)
    watch.deal(10)
    watch.dealt(5)
    watch.dealt(5)
    watch.read(2000)
    watch.deal(10)
    watch.dealt(10)
    assert [one.done for one in told] == [0, 1000, 1500, 2000, 3000, 4000]


def test_what_is_written_is_counted_while_nothing_is_read(tmp_path: Path) -> None:
    watch, told = watched()
    watch.writing("writing gpx")
    with Together() as files:
        files.on_write = watch.on_write
        with files.file(tmp_path / "a") as handle:
            handle.write(b"12345")
            handle.write(b"678")
    assert (tmp_path / "a").read_bytes() == b"12345678"
    watch.read(100)
    assert [(one.done, one.total) for one in told] == [(0, None), (5, None), (8, None)]


def test_nobody_looks(journal: Path) -> None:
    with open_journal(journal) as opened:
        QUIET.over(opened, "checking")
        assert opened.on_read is None
        QUIET.phase("decoding", 0)
        assert QUIET.on_write is None


@pytest.mark.parametrize("formats", [("csv", "parquet", "raw"), ("gpx", "kml", "geojson", "messages", "frames")])
def test_an_export_tells_all_its_phases(journal: Path, tmp_path: Path, formats: tuple[str, ...]) -> None:
    watch, told = watched()
    export(journal, formats, tmp_path / "seen", watch=watch)
    export(journal, formats, tmp_path / "unseen")
    for path in tmp_path.glob("seen*"):
        assert path.read_bytes() == (tmp_path / f"un{path.name}").read_bytes()
    assert {one.phases for one in told} == {0, told[-1].phases}
    assert told[-1].phase == told[-1].phases
    ends = {one.label: one for one in told}
    for label, end in ends.items():
        assert end.done > 0, label
        assert end.total is None or end.done == end.total or label == "reading", end
    if "gpx" in formats:
        assert {"writing gpx", "writing kml", "writing geojson"} <= set(ends)


def test_a_report_tells_that_it_draws(journal: Path, tmp_path: Path) -> None:
    watch, told = watched()
    report(journal, tmp_path / "page.html", watch=watch)
    assert told[-1].label == "drawing the page"
    assert told[-1].phase == told[-1].phases == 4


def test_collecting_moves_within_a_journal(journal: Path, tmp_path: Path) -> None:
    (journal.parent / "day2.jnl").write_bytes(Log(Maker(2000, journal_id=77)).run().say(0, rmc(0)).data())
    watch, told = watched()
    collect(journal.parent, tmp_path / "season", watch=watch)
    labels = list(dict.fromkeys(one.label for one in told))
    assert labels[:3] == [f"journal 1 of 2, {one}" for one in ("reading", "checking", "run 1: fixes")]
    assert "journal 2 of 2, run 1: fixes" in labels
    assert any(0 < one.done < (one.total or 0) for one in told if one.label == "journal 1 of 2, reading")


def test_there_is_no_bar_without_a_terminal() -> None:
    with show.watching("verify") as watch:
        assert watch is QUIET
    with show.progress("pulling") as told:
        assert told is None


def test_lines_stay_narrow_and_say_what_there_is_to_say(monkeypatch: pytest.MonkeyPatch) -> None:
    now = 100.0
    monkeypatch.setattr("tqdm.std.time", lambda: now)
    out = io.StringIO()
    bar = Bar("export", out)
    for seconds, done in ((0.0, 0), (2.0, 2**30), (6.0, 2 * 2**30)):
        now = 100.0 + seconds
        bar.show(Progress("run 1: fixes", done, 3 * 2**30, 2, 5))
    for seconds, done in ((100.0, 0), (104.0, 200 * 2**20)):
        now = 100.0 + seconds
        bar.show(Progress("writing geojson", done, None, 3, 5))
    bar.show(Progress("a part with a name that is far too long to be shown", 3 * 2**20, 12 * 2**20, 4, 5))
    bar.clear()
    lines = [line.rstrip() for line in out.getvalue().split("\r") if line.strip()]
    assert max(map(len, lines)) <= WIDTH
    assert lines[0].startswith("export 2/5: run 1: fixes   0% |   ")
    assert lines[0].endswith("| 0.00/3.00GiB")
    assert lines[1].endswith("| 1.00G/3.00GiB, 512MiB/s, 00:04 left")
    assert lines[2].startswith("export 2/5: run 1: fixes  67% |")
    assert lines[3:5] == ["export 3/5: writing geojson", "export 3/5: writing geojson, 200MiB, 50.0MiB/s"]
    assert lines[5].startswith("export 4/5: a part with a...   0% |")


_SLOWLY = """
import time
from offtake.cli import show
with show.watching("verify") as watch:
    watch.phase("checking", 3 * 2**30)
    for _ in range({}):
        watch.read(2**28)
        time.sleep(0.12)
print("done")
"""


def test_a_bar_on_a_terminal_of_80_columns() -> None:
    shown, out, code = in_terminal([sys.executable, "-c", _SLOWLY.format(12)])
    lines = [line for line in re.split(r"[\r\n]+", shown) if line.strip()]
    assert max(map(len, lines)) <= WIDTH
    halfway = r"verify: checking +\d\d% \|.+\| [12]\.\d\dG/3\.00GiB, \d\.\d\dGiB/s, 00:0\d left"
    assert any(re.fullmatch(halfway, line.strip()) for line in lines)
    # It is gone at the end.
    assert shown.endswith("\r")
    assert not shown.split("\r")[-2].strip()
    assert (out, code) == ("done\n", 0)


def test_an_interrupt_leaves_no_bar() -> None:
    shown, _, code = in_terminal([sys.executable, "-c", _SLOWLY.format(100)], interrupt_s=1.5)
    assert code in (1, -signal.SIGINT)
    before = shown.partition("Traceback")[0]
    assert before.endswith("\r")
    assert not before.split("\r")[-2].strip()


def in_terminal(command: list[str], interrupt_s: float = 0.0) -> tuple[str, str, int]:
    """What a command shows on a terminal of 80 columns as its stderr, its stdout and its exit code."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs) as process:
        os.close(theirs)
        if interrupt_s:
            time.sleep(interrupt_s)
            process.send_signal(signal.SIGINT)
        pieces = []
        while True:
            try:
                piece = os.read(ours, 65_536)
            except OSError:
                break
            if not piece:
                break
            pieces.append(piece)
        out = process.communicate()[0]
    os.close(ours)
    return b"".join(pieces).decode(), out.decode(), process.returncode
