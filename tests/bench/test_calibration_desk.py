"""The pseudo-terminal: a serial program opens it like a real port.

Found here: the master end of a pty tells the slave's speed, custom ones too (TCGETS2); a close followed at
once by an open does not show as a hang-up, so opens are watched through inotify.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from offtake.bench.board import Bench, Board
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.figures import Reset
from offtake.bench.firmware import load_elf

Builder = Callable[..., Path]
DATA = bytes(range(256))
ANSWER = bytes((b + 1) % 256 for b in DATA)


def _wait_until(condition: Callable[[], bool], seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "nothing happened"
        time.sleep(0.005)


def _booted(server: DeskServer) -> bool:
    with server.held() as bench:
        return bool(bench.read_data(0xC1, 1)[0] & (1 << 4))   # the receiver is on


def _wait_for_boot(server: DeskServer, opens: int = 1) -> None:
    """Waits for the boot that follows the given number of opens, and not for one before."""
    _wait_until(lambda: server.opens >= opens and _booted(server))


@pytest.mark.parametrize(("baud", "ubrr"), [(115_200, 16), (250_000, 7), (1_000_000, 1)])
def test_echo_at_matching_speed(avr_program: Builder, baud: int, ubrr: int) -> None:
    with Bench(avr_program("echo", UBRR_VALUE=ubrr)) as bench, DeskServer(bench) as server:
        with serial.Serial(server.port, baud, timeout=5) as port:
            _wait_for_boot(server)
            port.write(DATA)
            assert port.read(len(DATA)) == ANSWER
        with server.held():
            assert (server.from_host, server.to_host) == (256, 256)


def test_wrong_speed_is_garbage_both_ways(avr_program: Builder) -> None:
    with Bench(avr_program("echo", UBRR_VALUE=16)) as bench, DeskServer(bench) as server:
        with serial.Serial(server.port, 57_600, timeout=0.5) as port:
            _wait_for_boot(server)
            port.write(DATA)
            got = port.read(len(DATA))
        assert got not in (ANSWER, ANSWER[: len(got)])
        with server.held():
            assert bench.uart.framing_errors > 0
            assert bench.uart.balanced


def test_each_open_resets_the_chip(avr_program: Builder) -> None:
    with Bench(avr_program("echo", UBRR_VALUE=16)) as bench, DeskServer(bench) as server:
        _wait_for_boot(server, opens=0)
        with server.held():
            assert bench.symbol_int("reset_cause") == Reset.POWER_ON
        serial.Serial(server.port, 115_200).close()
        serial.Serial(server.port, 115_200).close()   # at once: no hang-up is seen in between
        _wait_for_boot(server, opens=2)
        with server.held():
            assert bench.symbol_int("reset_cause") == Reset.EXTERNAL


def test_errors_are_seeded(avr_program: Builder) -> None:
    got = []
    for seed in (1, 1, 2):
        with (
            Bench(avr_program("echo", UBRR_VALUE=1)) as bench,
            DeskServer(bench, Adapter(error_rate=0.05, seed=seed)) as server,
            serial.Serial(server.port, 1_000_000, timeout=5) as port,
        ):
            _wait_for_boot(server)
            answer = b""
            for n in range(64):   # one at a time, so that both directions draw in the same order
                port.write(bytes([n]))
                answer += port.read(1)
            got.append(answer)
    assert got[0] == got[1] != got[2]
    assert 1 <= sum(a != b for a, b in zip(got[0], ANSWER, strict=False)) < 30


def _use_until_it_fails(port: serial.Serial, got: bytearray) -> None:
    for _ in range(50):
        got += port.read(50)
        port.write(b"x")
        time.sleep(0.01)


def test_the_port_vanishes(avr_program: Builder) -> None:
    with (
        Bench(avr_program("echo", UBRR_VALUE=1)) as bench,
        DeskServer(bench, Adapter(vanish_after_bytes=100)) as server,
        serial.Serial(server.port, 1_000_000, timeout=2) as port,
    ):
        _wait_for_boot(server)
        port.write(DATA)
        got = bytearray()
        with pytest.raises((serial.SerialException, OSError)):
            _use_until_it_fails(port, got)
        assert len(got) <= 100, "what was still in the terminal goes with it"
        with server.held():
            assert server.to_host == 100
            assert server.vanished


def test_idle_time_keeps_pace_with_the_clock(avr_program: Builder) -> None:
    adapter = Adapter(idle_pace=4.0)
    with Bench(avr_program("echo", UBRR_VALUE=1)) as bench, DeskServer(bench, adapter) as server:
        time.sleep(0.2)
        with server.held():
            began, cycle = time.monotonic(), bench.cycle
        time.sleep(0.4)
        with server.held():
            pace = bench.ms(bench.cycle - cycle) / 1000 / (time.monotonic() - began)
    assert pace < 5.0


def test_from_another_process(avr_program: Builder) -> None:
    program = (
        "import serial, sys, time\n"
        "port = serial.Serial(sys.argv[1], 115200, timeout=5)\n"
        "time.sleep(0.3)\n"
        "port.write(b'abc')\n"
        "sys.stdout.write(port.read(3).decode())\n"
    )
    with Bench(avr_program("echo", UBRR_VALUE=16)) as bench, DeskServer(bench) as server:
        command = [sys.executable, "-c", program, server.port]
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=30)
    assert done.stdout == "bcd"


@pytest.mark.skipif(shutil.which("avrdude") is None, reason="avrdude is not installed")
def test_the_flashing_tool_programs_the_chip(avr_program: Builder, tmp_path: Path) -> None:
    application = avr_program("echo", UBRR_VALUE=16)
    image = tmp_path / "application.hex"
    subprocess.run(["avr-objcopy", "-O", "ihex", str(application), str(image)], check=True)
    loader = avr_program("boot_loader", start=0x7800)
    with Bench(loader, board=Board(reset_pc=0x7800)) as bench, DeskServer(bench) as server:
        command = ["avrdude", "-q", "-c", "stk500v1", "-p", "m328p", "-P", server.port, "-b", "115200", "-D"]
        command += ["-U", f"flash:w:{image}:i"]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        assert done.returncode == 0, done.stderr
        with server.held():
            expected = load_elf(application).flash
            assert bench.flash[: len(expected)] == expected
            assert bench.flash[0x7800:] == load_elf(loader).flash[0x7800:].ljust(0x800, b"\xff")
