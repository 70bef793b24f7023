"""`offtake bench` and the demo with the real firmware: what comes out of a short scenario, twice the same."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
from offtake import cli, demo
from offtake.card import fsck, open_journal
from offtake.firmware_build import toolchain_missing
from offtake.journal.bulk.stream import chunks_of_windows
from offtake.journal.salvage import salvage
from offtake.journal.stream import salvaged_windows

pytestmark = pytest.mark.skipif(bool(toolchain_missing()), reason="there is no AVR toolchain")


def recovered(card: Path) -> bytes:
    with open_journal(card) as opened:
        found = salvage(opened)
        return b"".join(
            chunk.data for info in found.runs() for chunk in chunks_of_windows(salvaged_windows(found, info.run))
        )


def short_scenario(repo_root: Path, tmp_path: Path, cut: str) -> Path:
    text = (repo_root / "demo_data" / "kayak_survey.toml").read_text()
    text = text.replace("duration_s = 70", "duration_s = 3").replace("card_mib = 64", "card_mib = 16")
    path = tmp_path / "short.toml"
    path.write_text(text[: text.index("[cut]")] + cut)
    return path


def test_bench_with_a_cut_twice(repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cut = '[cut]\nat_s = 3.7\ndamage = "garbage"\nseed = 9\n'
    scenario = short_scenario(repo_root, tmp_path, cut)
    results = []
    for name in ("one", "two"):
        assert cli.main(["bench", str(scenario), "-o", str(tmp_path / name), "--json"]) == 0
        results.append(json.loads(capsys.readouterr().out))
    first = results[0]
    assert first["schema"] == "offtake.bench/1"
    assert first["passive"] is True
    assert first["overrun_lost"] == 0
    assert first["sent_bytes"] == first["reached"]
    assert 3.7 <= first["power_s"] < 5.7
    assert first["in_flight"] is not None
    bytes_of = [recovered(tmp_path / name / "card.img") for name in ("one", "two")]
    assert bytes_of[0] == bytes_of[1]
    sent = (tmp_path / "one" / "sent.bin").read_bytes()
    assert sent.startswith(bytes_of[0])
    assert len(bytes_of[0]) > 3_000
    assert fsck(tmp_path / "one" / "card.img") == []
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "one")]) == 2
    assert "exists already" in capsys.readouterr().err


def test_bench_without_a_cut_logs_every_byte(repo_root: Path, tmp_path: Path) -> None:
    scenario = short_scenario(repo_root, tmp_path, "")
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "out")]) == 0
    assert recovered(tmp_path / "out" / "card.img") == (tmp_path / "out" / "sent.bin").read_bytes()


@contextmanager
def standing(*arguments: str) -> Iterator[str]:
    """`offtake bench ...` in a process of its own until the block ends; gives the port it names, ends it as Ctrl-C
    does."""
    command = [str(Path(sys.executable).with_name("offtake")), "bench", "--json", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        text = "".join(iter(process.stdout.readline, "}\n")) + "}"
        try:
            yield json.loads(text)["port"]
        finally:
            time.sleep(0.2)
            process.send_signal(signal.SIGINT)
            process.wait(20)
    assert process.returncode == 0


def test_the_receivers_line_on_a_port(repo_root: Path, tmp_path: Path) -> None:
    """At the line's speed every byte, over and over; at another one nonsense."""
    scenario = short_scenario(repo_root, tmp_path, "")
    with standing(str(scenario), "--line") as port, serial.Serial(port, 57_600, timeout=0.1) as heard:
        end, data = time.monotonic() + 20.0, b""
        while data.count(b"\r\n$GNGGA") < 4 and time.monotonic() < end:
            data += heard.read(4096)
        heard.baudrate = 38_400
        # On a busy machine what was sent before the change of speed may still be under way for a while.
        end, nonsense = time.monotonic() + 20.0, b"$GN"
        while (b"$GN" in nonsense or len(nonsense) <= 100) and time.monotonic() < end:
            nonsense = _heard_for(heard, 1.0)
    assert data.count(b"\r\n$GNGGA") >= 4
    assert len(nonsense) > 100
    assert b"$GN" not in nonsense


def _heard_for(port: serial.Serial, seconds: float) -> bytes:
    end, data = time.monotonic() + seconds, b""
    while time.monotonic() < end:
        data += port.read(4096)
    return data


def test_the_board_at_the_desk_on_a_port(repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scenario = short_scenario(repo_root, tmp_path, "")
    folder = tmp_path / "out"
    assert cli.main(["bench", str(scenario), "--desk", "-o", str(folder)]) == 3
    assert "expected a card image from `offtake bench" in capsys.readouterr().err
    assert cli.main(["bench", str(scenario), "-o", str(folder)]) == 0
    with standing(str(scenario), "--desk", "-o", str(folder)) as port:
        assert cli.main(["pull", port, "-o", str(tmp_path / "day.jnl")]) == 0
    with open_journal(tmp_path / "day.jnl") as opened:
        found = salvage(opened)
        data = b"".join(
            chunk.data for info in found.runs() for chunk in chunks_of_windows(salvaged_windows(found, info.run))
        )
    assert data == (folder / "sent.bin").read_bytes()


def test_bench_without_what_it_needs(repo_root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scenario = str(repo_root / "demo_data" / "kayak_survey.toml")
    assert cli.main(["bench", scenario]) == 2
    assert "no folder (expected -o DIR)" in capsys.readouterr().err
    assert cli.main(["bench", scenario, "--boot-loader", "x.hex", "-o", "there"]) == 2
    assert "--boot-loader without --desk" in capsys.readouterr().err


def test_bench_of_a_wrong_scenario_leaves_nothing(
    repo_root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scenario = short_scenario(repo_root, tmp_path, "[cut]\nat_s = 3.7\n")
    assert cli.main(["bench", str(scenario), "-o", str(tmp_path / "out")]) == 1
    assert "cut.damage" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_demo_holds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "demo"
    assert demo.main(["-o", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "FAILED" not in out
    assert out.count("holds ") == 11
    names = {path.name for path in folder.iterdir()}
    assert {"kayak.jnl", "kayak.gpx", "kayak.kml", "kayak.geojson", "kayak.csv", "kayak_run1.bin"} <= names
    assert demo.main(["-o", str(folder)]) == 2
    assert "not an empty folder" in capsys.readouterr().err
