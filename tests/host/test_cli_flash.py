"""`offtake flash` without a board: the port, avrdude's complaints (as 7.1 words them), the comparison, the text."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from fake_logger import FakeLogger, PtyLogger, make_journal
from offtake import cli
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.firmware_build import ToolError, source_version
from offtake.flash import ports
from offtake.flash.ports import require_free_port, users_of
from offtake.flash.trouble import explained
from offtake.generated.records import SPEC_HASH
from offtake.jobs import flash as job
from test_link_desk import JOURNAL_ID, header

BOARD = "atmega328p_16mhz"
READY = "avrdude: AVR device initialized and ready to accept instructions\n"
WRITING = READY + "avrdude: device signature = 0x1e950f (probably m328p)\navrdude: writing 20596 bytes flash ...\n"
SAID = {
    "chip": READY
    + "avrdude: device signature = 0x1e9406 (probably m168)\n"
    + "avrdude error: expected signature for ATmega328P is 1E 95 0F\n",
    # As 6.3 words it (memory).
    "chip, older": "avrdude: Device signature = 0x1e9406\navrdude: Expected signature for ATmega328P is 1E 95 0F\n",
    "differs": WRITING
    + "avrdude warning: verification mismatch\n        device 0x00 != input 0x0c at addr 0x0000 (error)\n"
    + "avrdude error: verification mismatch\n",
    "broken": WRITING + "avrdude error: programmer is not responding\n",
    "silent": "avrdude warning: attempt 10 of 10: not in sync: resp=0x00\n"
    "avrdude error: unable to open programmer arduino on port /dev/pts/1\n",
    "no port": 'avrdude OS error: cannot open port "/dev/nothing": No such file or directory\n',
    "other": "SCons: something else\n",
}


# ---- the port ----


def test_no_such_port(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match="no such port"):
        require_free_port(str(tmp_path / "ttyNone"))


def test_a_file_is_no_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(InputOutputError, match="not a serial port"):
        require_free_port(str(tmp_path / "file"))


def test_a_port_one_may_not_use_names_the_group(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports.os, "access", lambda *_: False)
    with pytest.raises(InputOutputError, match=r"you may not use this port \(expected you to be in the group \w+"):
        require_free_port(os.devnull)


def test_who_has_a_port_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "tty"
    port.write_bytes(b"")
    for number, target, name in ((11, port, "wave\x1b[2J"), (12, tmp_path / "other", "x"), (os.getpid(), port, "me")):
        folder = tmp_path / "proc" / str(number) / "fd"
        folder.mkdir(parents=True)
        (folder / "3").symlink_to(target)
        (folder.parent / "comm").write_text(name + "\n")
    (tmp_path / "proc" / "13").mkdir()   # gone, or another user's
    monkeypatch.setattr(ports, "PROCESSES", tmp_path / "proc")
    assert users_of(str(port)) == ["wave?[2J (process 11)"]


def test_a_descriptor_closed_meanwhile_hides_no_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    port = tmp_path / "tty"
    port.write_bytes(b"")
    folder = tmp_path / "proc" / "11" / "fd"
    folder.mkdir(parents=True)
    for number in "345":
        (folder / number).symlink_to(port)
    monkeypatch.setattr(ports, "PROCESSES", tmp_path / "proc")
    looked: list[str] = []

    def readlink(entry: os.DirEntry[str]) -> str:
        looked.append(entry.name)
        if len(looked) == 1:
            raise FileNotFoundError
        return str(port)

    monkeypatch.setattr(ports.os, "readlink", readlink)
    assert ports._has_open(tmp_path / "proc" / "11", str(port))


def test_a_speed_that_is_none_is_refused() -> None:
    with pytest.raises(UsageError, match="a speed of 0 baud"):
        job.flash(os.devnull, BOARD, speed_bd=0)


# ---- what avrdude says ----


@pytest.mark.parametrize(
    ("said", "kind", "words"),
    [
        ("chip", DamageError, "nothing was written: the boot loader names another chip (1e9406)"),
        ("chip, older", DamageError, "nothing was written: the boot loader names another chip (1e9406)"),
        ("differs", DamageError, "what was read back differs from what was written"),
        ("broken", InputOutputError, "the connection broke off while writing"),
        ("silent", InputOutputError, "the boot loader stopped answering before anything was written"),
        ("no port", InputOutputError, "avrdude cannot open the port"),
        ("other", ToolError, "the upload failed"),
    ],
)
def test_avrdudes_words_are_explained(said: str, kind: type[Exception], words: str) -> None:
    error = explained(ToolError("the upload failed", SAID[said], "somewhere"), "/dev/pts/1")
    assert type(error) is kind
    assert words in str(error)
    assert SAID[said].splitlines()[-1].strip() in str(error), "the tool's own last line is kept"
    assert len(str(error).splitlines()) <= 6


def test_idle_and_repeated_lines_are_left_out() -> None:
    said = 'avrdude OS error: ioctl("TIOCMGET"): Inappropriate ioctl for device\n' + SAID["silent"] * 3
    assert str(ToolError("failed", said, "x")).splitlines()[1:] == SAID["silent"].splitlines()


# ---- the comparison ----


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The build, the boot loader and avrdude done without a board."""
    image = tmp_path / "firmware.hex"
    image.write_text(":02000000FFCF30\n:00000001FF\n")
    monkeypatch.setattr(job, "find_loader", lambda port, bauds: bauds[0])
    monkeypatch.setattr(job, "upload", lambda board, port, speed_bd: "")
    monkeypatch.setattr(job, "hex_path", lambda board: image)
    monkeypatch.setattr(job, "require_free_port", lambda port: None)


def logger() -> FakeLogger:
    return FakeLogger(make_journal(header(8), 8, [2], journal_id=JOURNAL_ID))


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["flash", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.usefixtures("written")
def test_a_board_with_other_firmware_is_a_failed_check(capsys: pytest.CaptureFixture[str]) -> None:
    with PtyLogger(logger()) as server:
        found = job.flash(server.port, BOARD)
        assert "version" in found.differences or "spec_hash" in found.differences
        code, out, _ = run(capsys, server.port)
        assert code == 1
        assert "2 bytes, read back equal" in out
        assert "This board " in out
        assert all(len(line) <= 80 for line in out.splitlines())
        code, out, _ = run(capsys, server.port, "--json", "--check")
    told = json.loads(out)
    assert code == 1
    assert (told["schema"], told["hex_bytes"]) == ("offtake.flash/1", 0)
    assert told["wanted"] == {
        "board": BOARD,
        "version": "{}.{}.{}".format(*source_version()),
        "spec_hash": SPEC_HASH,
    }
    assert told["differences"]


@pytest.mark.usefixtures("written")
def test_written_but_silent_says_what_to_check(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def silent(port: str) -> None:
        raise InputOutputError("no logger answers", where=port)

    monkeypatch.setattr(job, "open_desk", silent)
    code, _, err = run(capsys, "/dev/pts/1")
    assert code == 3
    assert "2 bytes were written and read back equal, but the firmware does not answer (no logger answers)" in err
    assert "--board" in err
    assert "--check" in err


@pytest.mark.usefixtures("written")
def test_loaders_at_other_speeds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(job, "find_loader", lambda port, bauds: 57_600)
    with pytest.raises(InputOutputError, match="does not answer at 19,200 baud, but at 57,600"):
        job.flash("/dev/pts/1", BOARD, speed_bd=19_200)
    monkeypatch.setattr(job, "find_loader", lambda port, bauds: None)
    with pytest.raises(InputOutputError, match=r"no boot loader answers \(tried 19,200, 115,200, 57,600 baud\)"):
        job.flash("/dev/pts/1", BOARD, speed_bd=19_200)


def test_no_such_board() -> None:
    with pytest.raises(UsageError, match="no board 'toaster'"):
        job.check("/dev/pts/1", "toaster")
