"""`offtake flash` from end to end: the firmware is built, avrdude sends it through a pty to boot loaders that a Debian
package ships, the emulated chip programs itself, and the new firmware is greeted.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import boot_loaders
import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.firmware import EEPROM_BYTES, Firmware, load_elf
from offtake.firmware_build import build, hex_path, toolchain_missing
from offtake.flash.hexfile import read_hex
from offtake.generated.records import SPEC_HASH

KEPT = bytes(i * 7 % 251 for i in range(EEPROM_BYTES))
IN_STEP = Adapter(idle_limit_ms=600.0)
"""avrdude calls 0.3 and 0.55 s after it has opened a pty, which has no DTR to reset a board again. The fast loader
blinks for 0.44 s, in which one call fits its receiver and two do not, and gives up after 1.44 s: in between, chip time
waits.
"""
LONG = pytest.mark.skipif(os.environ.get("OFFTAKE_LONG") != "1", reason="long: OFFTAKE_LONG=1")

pytestmark = pytest.mark.skipif(
    shutil.which("avrdude") is None or bool(toolchain_missing()), reason="avrdude or the AVR toolchain is not installed"
)


def flash_command(*arguments: str) -> list[str]:
    return [str(Path(sys.executable).with_name("offtake")), "flash", *arguments]


def flash(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(flash_command(*arguments), capture_output=True, text=True, check=False, timeout=100)


def bench_with(loaded: boot_loaders.Loaded, firmware: Firmware | Path | None = None) -> Bench:
    board = Board(frequency_hz=loaded.frequency_hz)
    return Bench(firmware, boot_loader=loaded.loader, board=board, eeprom=KEPT)


def assert_flashed(bench: Bench, board: str, loaded: boot_loaders.Loaded) -> None:
    content, flashed = read_hex(hex_path(board)), bench.flash
    assert bytes(content[address] for address in range(len(content))) == flashed[: len(content)]
    assert load_elf(build(board)).flash == flashed[: len(content)]
    assert flashed[loaded.loader.start :] == loaded.loader.image
    assert bench.pages.boot_touched == 0
    assert bench.eeprom == KEPT


@pytest.mark.parametrize("name", ["fast", pytest.param("old_16mhz", marks=LONG), "old_8mhz"])
def test_from_the_source_to_a_board_that_answers(name: str, tmp_path: Path) -> None:
    loaded = boot_loaders.fast(tmp_path) if name == "fast" else getattr(boot_loaders, name)()
    board = f"atmega328p_{loaded.frequency_hz // 1_000_000}mhz"
    with bench_with(loaded) as bench, DeskServer(bench, IN_STEP) as server:
        done = flash(server.port, "--board", board, "--json")
        assert done.returncode == 0, done.stdout + done.stderr
        with server.held():
            assert_flashed(bench, board, loaded)
        checked = flash(server.port, "--board", board, "--check")
        assert checked.returncode == 0, checked.stdout + checked.stderr
        assert "The board runs this program's firmware." in checked.stdout
        assert "written" not in checked.stdout
    told = json.loads(done.stdout)
    assert told["schema"] == "offtake.flash/1"
    assert (told["loader_baud"], told["hex_bytes"]) == (loaded.baud, len(read_hex(hex_path(board))))
    assert told["runs"] == told["wanted"] == {"board": board, "version": "0.1.0", "spec_hash": SPEC_HASH}
    assert told["differences"] == []


def test_chip_time_waits_for_the_host(tmp_path: Path) -> None:
    with bench_with(boot_loaders.fast(tmp_path)) as bench, DeskServer(bench, IN_STEP) as server:
        time.sleep(0.5)   # 2 s of chip time at the usual pace
        with server.held():
            assert 600.0 <= bench.ms(bench.cycle) <= 610.0


def test_another_chip_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    before = load_elf(build("atmega328p_16mhz"))
    with bench_with(boot_loaders.other_chip(tmp_path), before) as bench, DeskServer(bench, IN_STEP) as server:
        done = flash(server.port)
        with server.held():
            assert bench.pages.erased == 0
    assert done.returncode == 1
    assert "nothing was written: the boot loader names another chip (1e9406)" in done.stderr
    assert "expected signature for ATmega328P is 1E 95 0F" in done.stderr, "avrdude's own line is there"


def test_a_board_without_a_boot_loader_is_told_within_seconds() -> None:
    with Bench(build("atmega328p_16mhz")) as bench, DeskServer(bench, IN_STEP) as server:
        began = time.monotonic()
        done = flash(server.port)
        assert time.monotonic() - began < 20
        with server.held():
            assert bench.pages.erased == 0
    assert done.returncode == 3
    assert "no boot loader answers (tried 115,200, 57,600 baud)" in done.stderr
    assert "DTR" in done.stderr


def test_the_wrong_speed_is_told_with_the_right_one() -> None:
    loaded = boot_loaders.old_8mhz()
    with bench_with(loaded, build("atmega328p_8mhz")) as bench, DeskServer(bench, IN_STEP) as server:
        done = flash(server.port, "--board", "atmega328p_8mhz", "--speed", "115200")
    assert done.returncode == 3
    assert "does not answer at 115,200 baud, but at 57,600" in done.stderr
    assert "--speed 57600" in done.stderr


def test_a_port_that_another_program_has_open(tmp_path: Path) -> None:
    holder = "import sys, time; port = open(sys.argv[1]); print('open', flush=True); time.sleep(60)"
    with bench_with(boot_loaders.fast(tmp_path)) as bench, DeskServer(bench, IN_STEP) as server:
        command = [sys.executable, "-c", holder, server.port]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as other:
            assert other.stdout is not None
            other.stdout.readline()
            done = flash(server.port)
            other.kill()
    assert done.returncode == 3
    assert f"(process {other.pid})" in done.stderr
    assert "in use by" in done.stderr


def _flash_broken_off(server: DeskServer, pages: int, interrupt: bool) -> tuple[int, str]:
    """Starts a flash and, when so many pages are written, pulls the cable or interrupts the program."""
    with subprocess.Popen(flash_command(server.port), stderr=subprocess.PIPE, text=True) as running:
        written = 0
        while written < pages:
            time.sleep(0.005)
            assert running.poll() is None, running.communicate()[1]
            with server.held() as bench:
                written = bench.pages.written
        if interrupt:
            running.send_signal(signal.SIGINT)
        else:
            server.vanish()
        said = running.communicate(timeout=20)[1]
        return running.returncode, said


def test_a_cable_pulled_half_way_and_flashed_again(tmp_path: Path) -> None:
    loaded = boot_loaders.fast(tmp_path)
    with bench_with(loaded) as bench:
        with DeskServer(bench, IN_STEP) as server:
            code, said = _flash_broken_off(server, pages=40, interrupt=False)
        assert code == 3
        assert "the port vanished while the firmware was being written" in said
        assert "repeat the command" in said
        assert 40 <= bench.pages.written < len(read_hex(hex_path("atmega328p_16mhz"))) // 128
        with DeskServer(bench, IN_STEP) as server:
            assert flash(server.port).returncode == 0
        assert_flashed(bench, "atmega328p_16mhz", loaded)


def test_an_interrupt_stops_the_tools_and_flashing_again_works(tmp_path: Path) -> None:
    loaded = boot_loaders.fast(tmp_path)
    with bench_with(loaded) as bench, DeskServer(bench, IN_STEP) as server:
        code, said = _flash_broken_off(server, pages=40, interrupt=True)
        assert code == 130, said
        with server.held():
            written = bench.pages.written
        time.sleep(0.3)
        with server.held():
            assert bench.pages.written <= written + 1, "avrdude has been stopped too"
        assert flash(server.port).returncode == 0
        with server.held():
            assert_flashed(bench, "atmega328p_16mhz", loaded)
