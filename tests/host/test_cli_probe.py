"""`offtake probe`: on a port, on files of all kinds, what it says and how it ends."""

from __future__ import annotations

import dataclasses
import io
import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from offtake import cli
from offtake.bench.line_port import LinePort
from offtake.cli.probe_screen import ProbeScreen, certainty_text, escaped, last_line
from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.generated.records import JOURNAL_MAGIC
from offtake.jobs import probe as job
from offtake.jobs.probe import Glance, probe_file, probe_listener
from offtake.probe import capture as captures
from offtake.probe.capture import notes_path, read_capture, save_capture
from offtake.probe.model import FAULT_FRAMING, FRAMING_USUAL, LineState, MessageRate, Received, Verdict
from offtake.probe.score import BUILT_IN
from probe_listening import b562_stream, capture, received, text_stream, wire
from rich.console import Console

OFFTAKE = str(Path(sys.executable).with_name("offtake"))
UNDERSTOOD = Verdict(LineState.UNDERSTOOD, 0.99, ("Because.",), dialects=("nmea0183",))


@pytest.fixture(scope="module")
def heard_port(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, str, Path]:
    """Exit code, output and capture of one probe through a pseudo-terminal, in a process of its own."""
    kept = tmp_path_factory.mktemp("probe") / "pad.bin"
    with LinePort(wire(text_stream(3), 38_400.0)) as port:
        command = [OFFTAKE, "probe", port.port, "-o", str(kept)]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        assert port.written == 0
    assert done.stderr == ""
    return done.returncode, done.stdout, kept


def test_a_port_is_understood(heard_port: tuple[int, str, Path]) -> None:
    code, output, _ = heard_port
    assert code == 0
    assert "understood: 38,400 baud 8N1, nmea0183" in output
    assert "GGA" in output
    assert "saved as" in output.replace("\n", " ")
    assert max(map(len, output.splitlines())) <= 80 + len("saved as ") or "/" in output


def test_what_was_heard_is_read_back(
    heard_port: tuple[int, str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    kept = heard_port[2]
    assert cli.main(["probe", str(kept), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["schema"] == "offtake.probe/1"
    assert (told["source"], told["state"], told["baud"], told["framing"]) == ("capture", "understood", 38_400, "8N1")
    assert told["checks_wrong"] <= 1
    back, known = read_capture(kept)
    assert known
    assert np.all(np.diff(back.start_s) >= 0.0)
    assert back.start_s[0] >= 0.0
    assert back.start_s[-1] <= back.seconds


def test_only_data_and_faults_that_were_heard_come_back(tmp_path: Path) -> None:
    faults = np.zeros(50, dtype=np.uint8)
    faults[7] = FAULT_FRAMING
    piece = received(bytes(range(50)), baud=57_600.0, faults=faults)
    save_capture(tmp_path / "a.bin", piece, UNDERSTOOD)
    back, known = read_capture(tmp_path / "a.bin")
    assert known
    assert (back.data, back.faults.tolist(), back.baud) == (piece.data, piece.faults.tolist(), 57_600.0)
    assert back.start_s == pytest.approx(piece.start_s, abs=1e-6)
    with pytest.raises(UsageError, match="exists"):
        save_capture(tmp_path / "a.bin", piece, UNDERSTOOD)
    assert (tmp_path / "a.bin").read_bytes() == piece.data


@pytest.mark.parametrize(
    "spoil",
    [
        lambda notes: "{",
        lambda notes: "[]",
        lambda notes: "[" * 100_000,
        lambda notes: notes.replace('"bytes": 50', '"bytes": 51'),
        lambda notes: notes.replace('"8N1"', '"9N1"'),
        lambda notes: notes.replace('"baud": 57600.0', '"baud": 1e999'),
        lambda notes: notes.replace('"faults": {}', '"faults": {"50": 1}'),
        lambda notes: notes.replace('"start_s": [0.0, ', '"start_s": ['),
        lambda notes: notes.replace('"start_s": [0.0, ', '"start_s": [Infinity, '),
        lambda notes: notes.replace("capture/1", "capture/2"),
    ],
)
def test_spoilt_notes_are_damage(tmp_path: Path, spoil: object) -> None:
    path = tmp_path / "a.bin"
    save_capture(path, received(bytes(range(50)), baud=57_600.0), UNDERSTOOD)
    notes = notes_path(path)
    notes.write_text(spoil(notes.read_text()))  # type: ignore[operator]
    with pytest.raises(DamageError, match="notes"):
        read_capture(path)


def test_notes_far_larger_than_their_bytes_need_are_not_read(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    save_capture(path, received(bytes(range(50)), baud=57_600.0), UNDERSTOOD)
    notes_path(path).write_text("[" + "[],\n" * 2**19)
    with pytest.raises(DamageError, match="more than 1,050,576 bytes"):
        read_capture(path)


@pytest.mark.parametrize("whole", [0, 1])
def test_a_full_disk_leaves_an_older_capture_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, whole: int
) -> None:
    path = tmp_path / "a.bin"
    save_capture(path, received(b"old", baud=57_600.0), UNDERSTOOD)
    written: list[int] = []

    def fsync(descriptor: int) -> None:
        written.append(descriptor)
        if len(written) > whole:
            raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fsync)
        with pytest.raises(InputOutputError, match="No space left"):
            save_capture(path, received(b"newer", baud=57_600.0), UNDERSTOOD, replace=True)
    back, known = read_capture(path)
    assert (back.data, known) == (b"old", True)
    save_capture(path, received(b"newer", baud=57_600.0), UNDERSTOOD, replace=True)
    assert read_capture(path)[0].data == b"newer"
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.bin", "a.bin.json"]


class Endless:
    """A walk over a line that is understood and never ends."""

    def __init__(self) -> None:
        self.listened_s, self.settled, self.setting, self.dialects = 0.0, True, (9_600, FRAMING_USUAL), BUILT_IN
        self.last = received(text_stream(1)[:300])

    def step(self) -> Verdict:
        self.listened_s += 0.1
        return dataclasses.replace(UNDERSTOOD, baud=9_600, framing=FRAMING_USUAL)

    def heard(self) -> Received:
        return self.last


def test_what_is_kept_of_a_long_line_can_be_read_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (job, captures):
        monkeypatch.setattr(module, "BYTES_MOST", 1_000)
    done = probe_listener(Endless(), None, once=False)  # type: ignore[arg-type]
    assert "ended at 1,000 bytes" in done.verdict.reasons[-1]
    job.save(tmp_path / "long.bin", done)
    back, known = read_capture(tmp_path / "long.bin")
    assert (len(back.values), known) == (1_000, True)


def test_bare_bytes_of_seven_bits_name_no_speed(tmp_path: Path) -> None:
    path = tmp_path / "bytes.bin"
    path.write_bytes(bytes(one | (one.bit_count() & 1) << 7 for one in text_stream(10)))
    verdict = probe_file(path).verdict
    assert verdict.state is LineState.UNDERSTOOD
    assert not any("baud" in reason for reason in verdict.reasons)


def test_bare_bytes_that_speak_too_little_are_not_called_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bytes.bin"
    path.write_bytes(text_stream(10))
    open_framing = Verdict(LineState.NOT_SURE, 0.0, ("0 baud 8N1: 9 messages.", "But its framing is open."))
    monkeypatch.setattr(job, "judge", lambda *_: open_framing)
    verdict = probe_file(path).verdict
    assert verdict.reasons == ("9 messages.", "That is too little to be sure of: record longer.")
    assert verdict.bytes_heard == path.stat().st_size


def test_names_in_a_recording_move_no_cursor(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "edges.csv"
    path.write_bytes(b"time_s,a\x1b[2Jb,c\n0,1,1\n1,0,1\n2,1,1\n")
    assert cli.main(["probe", str(path)]) == 2
    said = capsys.readouterr().err
    assert "a?[2Jb, c" in said
    assert "\x1b" not in said


def test_bare_bytes_tell_dialect_but_no_speed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "bytes.bin"
    path.write_bytes(b562_stream(5))
    assert cli.main(["probe", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["source"], told["state"], told["dialects"]) == ("bytes", "understood", ["b562"])
    assert (told["baud"], told["framing"]) == (None, None)
    assert told["messages"][0]["rate_hz"] == 0.0
    path.write_bytes(np.random.default_rng(1).integers(0, 256, 5_000, dtype=np.uint8).tobytes())
    assert cli.main(["probe", str(path)]) == 1
    assert "not sure" in capsys.readouterr().out
    path.write_bytes(b"")
    assert cli.main(["probe", str(path)]) == 1
    assert "empty" in capsys.readouterr().out


def test_edges_by_content(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = capture(text_stream(2), 19_200.0)
    rows = [f"{time_s:.9f},{number % 2}" for number, time_s in enumerate(line.times_s)]
    path = tmp_path / "edges.dat"
    path.write_text("time_s,pad\n" + "\n".join(rows) + "\n")
    assert cli.main(["probe", str(path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["source"], told["baud"], told["dialects"]) == ("edges", 19_200, ["nmea0183"])
    assert told["measured_baud"] == pytest.approx(19_200, rel=0.01)
    dump = "$timescale 1 ns $end\n$var wire 1 ! pad $end\n$enddefinitions $end\n#0\n1!\n"
    dump += "".join(f"#{round(1e9 * time_s)}\n{number % 2}!\n" for number, time_s in enumerate(line.times_s))
    path.write_text(dump)
    assert cli.main(["probe", str(path), "--signal", "pad"]) == 0
    assert "19,200 baud 8N1" in capsys.readouterr().out


def test_a_dialect_of_ones_own(tmp_path: Path, repo_root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    own = repo_root / "demo_data" / "depth_sounder.toml"
    path = tmp_path / "bytes.bin"
    path.write_bytes(text_stream(4))
    assert cli.main(["probe", str(path), "--dialect", str(own), "--json"]) == 0
    assert "nmea0183" in json.loads(capsys.readouterr().out)["dialects"]


def test_usage_and_input_errors(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there = tmp_path / "there.bin"
    there.write_bytes(b"abc")
    for arguments, code, text in (
        ([str(tmp_path / "nothing")], 3, "cannot read"),
        (["/dev/ttyNONE9"], 3, "cannot open the port"),
        ([str(there), "--signal", "x"], 2, "recording of edges"),
        ([str(there), "--framing", "9N1"], 2, "framing"),
        ([str(there), "--baud", "7"], 2, "7 baud"),
        ([str(there), "--seconds", "0"], 2, "--seconds"),
        (["/dev/ttyNONE9", "-o", str(there)], 2, "exists already"),
        ([str(there), "-o", str(tmp_path / "new")], 2, "-o for a file"),
    ):
        assert cli.main(["probe", *arguments]) == code
        assert text in capsys.readouterr().err


def test_a_place_that_takes_no_capture_is_told_before_the_listening(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for arguments, code, text in (
        ([tmp_path / "none" / "a.bin"], 3, "none: cannot write there"),
        ([tmp_path / "folder", "--replace"], 2, "is a folder"),
        ([tmp_path / "link"], 2, "exists already"),
    ):
        assert cli.main(["probe", "/dev/ttyNONE9", "-o", *map(str, arguments)]) == code
        assert text in capsys.readouterr().err
    monkeypatch.setattr(job.os, "access", lambda *_: False)
    assert cli.main(["probe", "/dev/ttyNONE9", "-o", str(tmp_path / "a.bin")]) == 3
    assert "cannot write there" in capsys.readouterr().err


def test_a_port_in_use_is_said() -> None:
    with LinePort(wire(text_stream(1), 9_600.0)) as port:
        first = subprocess.Popen(
            [OFFTAKE, "probe", port.port, "--seconds", "20"], stdout=subprocess.PIPE
        )
        assert first.stdout is not None
        first.stdout.readline()
        try:
            command = [OFFTAKE, "probe", port.port, "--once", "--seconds", "1"]
            done = subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)
        finally:
            first.kill()
            first.wait()
    assert done.returncode == 3
    assert "cannot open the port" in done.stderr


def test_live_until_ctrl_c() -> None:
    with LinePort(wire(text_stream(3), 57_600.0)) as port:
        ours, theirs = pty.openpty()
        environment = {**os.environ, "TERM": "xterm-256color", "COLUMNS": "80", "LINES": "24"}
        command = [OFFTAKE, "probe", port.port, "--bell"]
        running = subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, env=environment)
        os.close(theirs)
        seen = _read_until(ours, b"U N D E R S T O O D", 40.0)
        running.send_signal(signal.SIGINT)
        seen += _read_until(ours, b"understood: 57,600 baud 8N1, nmea0183", 20.0)
        assert running.wait(20) == 0
        os.close(ours)
    assert b"\x07" in seen
    assert b"understood: 57,600 baud 8N1, nmea0183" in seen


def _read_until(descriptor: int, wanted: bytes, seconds: float) -> bytes:
    seen = b""
    until = time.monotonic() + seconds
    while wanted not in seen and time.monotonic() < until:
        if select.select([descriptor], [], [], 0.2)[0]:
            try:
                seen += os.read(descriptor, 65_536)
            except OSError:
                break
    return seen


def shown(glance: Glance) -> str:
    """The live screen's text at 80 columns, terminal commands and all."""
    console = Console(width=80, height=24, file=io.StringIO(), force_terminal=True, color_system=None)
    screen = ProbeScreen(console, "port")
    screen.show(glance)
    with console.capture() as captured:
        console.print(screen.page(glance))
    return captured.get()


def test_nothing_from_the_wire_reaches_the_terminal_raw() -> None:
    assert escaped("\x1b[2J\u009bA\n~") == "\\x1b[2J\\x9bA\\x0a~"
    assert last_line(b"old\r\n$GP\x1b]0;hi\x07GA\r\nnew") == "$GP\\x1b]0;hi\\x07GA"
    assert last_line(bytes([0xB5, 0x62, 0x1B])) == "\\xb5b\\x1b"
    latest = received(b"$GPGGA,\x1b[31m[bold]x[/bold]\r\n")
    evil = MessageRate("nmea0183", "\x1b[5m[red]GGA", 3, 1.0)
    verdict = Verdict(LineState.UNDERSTOOD, 0.99, ("Because.",), baud=9_600, framing=FRAMING_USUAL, messages=(evil,))
    text = shown(Glance(verdict, 9_600, FRAMING_USUAL, True, latest, 1.0))
    assert "\\x1b[31m[bold]x[/bold]" in text
    assert "\\x1b[5m[red]GGA" in text
    assert "\x1b[31m" not in text
    assert "\x1b[5m" not in text


@pytest.mark.parametrize("state", list(LineState))
def test_every_state_has_its_word_and_its_mark(state: LineState) -> None:
    text = shown(Glance(Verdict(state, 0.5, ("Because.",)), 9_600, FRAMING_USUAL, False, None, 1.0))
    assert " ".join(state.value.upper()) in text
    assert max(map(len, text.splitlines())) <= 80


def test_never_quite_sure() -> None:
    assert certainty_text(1.0) == "99.9 %"
    assert certainty_text(0.7) == "70 %"


def test_an_inverted_recording_warns(repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = (repo_root / "demo_data" / "unknown_pad.csv").read_text().splitlines()
    turned = [line[:-1] + ("0" if line.endswith("1") else "1") if line[0].isdigit() else line for line in lines]
    (tmp_path / "turned.csv").write_text("\n".join(turned) + "\n")
    assert cli.main(["probe", str(tmp_path / "turned.csv")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "inverted" in said
    assert "do not connect it" in said


def test_a_journal_and_a_speed_for_a_file_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    journal = tmp_path / "day.jnl"
    journal.write_bytes(JOURNAL_MAGIC + bytes(504) + b"$GPGGA,1*00\r\n" * 50)
    assert cli.main(["probe", str(journal)]) == 2
    assert "a journal, not a capture" in capsys.readouterr().err
    plain = tmp_path / "plain.bin"
    plain.write_bytes(b"abc")
    assert cli.main(["probe", str(plain), "--baud", "9600"]) == 2
    assert "--baud for a file" in capsys.readouterr().err
