"""What is read is counted phase by phase, and shown on a terminal only, within its width."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
from pathlib import Path

from journal_maker import Maker
from offtake.card import open_journal
from offtake.cli import show
from offtake.progress import QUIET, Watch


def journal(folder: Path) -> Path:
    """A plain file of one full block after the other."""
    maker = Maker(64)
    path = folder / "day1.jnl"
    path.write_bytes(maker.whole())
    return path


def test_what_is_read_is_counted_phase_by_phase(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    watch = Watch(lambda *what: told.append(what))
    with open_journal(journal(tmp_path)) as opened:
        watch.over(opened, "checking")
        opened.read(0, 512)
        opened.read(30_000, 10_000)
        watch.phase("decoding", 1000)
        opened.read(0, 600)
        opened.read(0, 600)
        watch.phase("what a log says of itself", 2**40)
    assert told == [
        ("checking", 0, 32_768),
        ("checking", 512, 32_768),
        ("checking", 512 + 2_768, 32_768),
        ("decoding", 0, 1000),
        ("decoding", 600, 1000),
        ("decoding", 1000, 1000),
        ("what a log says of itself", 0, 32_768),
    ]


def test_nobody_looks(tmp_path: Path) -> None:
    with open_journal(journal(tmp_path)) as opened:
        QUIET.over(opened, "checking")
        assert opened.on_read is None
        QUIET.phase("decoding", 0)


def test_there_is_no_bar_without_a_terminal(capsys: object) -> None:
    with show.watching("verify") as watch:
        assert watch is QUIET


_SLOWLY = """
import time
from offtake.cli import show
with show.watching("verify") as watch:
    for label in ("checking", "decoding a run with a long name"):
        watch.phase(label, 3 * 2**30)
        for _ in range(5):
            watch.read(2**29)
            time.sleep(0.15)
print("done")
"""


def test_a_bar_on_a_terminal_of_80_columns() -> None:
    shown, out = in_terminal([sys.executable, "-c", _SLOWLY])
    lines = [line for line in re.split(r"[\r\n]+", shown) if line.strip()]
    assert max(map(len, lines)) <= 80
    halfway = r"verify: checking +\d\d% \|.+\| [12]\.\d\dGB of 3\.22GB, \d\.\d\dGB/s, 00:0\d left"
    assert any(re.fullmatch(halfway, line.strip()) for line in lines)
    assert any(line.startswith("verify: decoding a run with...   0%") for line in lines)
    # It is gone at the end.
    assert shown.endswith("\r")
    assert not lines[-1].strip(" ") or lines[-1].startswith("verify")
    assert out == "done\n"


def in_terminal(command: list[str], columns: int = 80) -> tuple[str, str]:
    """What a command shows on a terminal of so many columns as its stderr, and its stdout."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=theirs) as process:
        os.close(theirs)
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
    assert process.returncode == 0
    return b"".join(pieces).decode(), out.decode()
