"""`offtake flash` for real: PlatformIO's upload, avrdude, a pty, and a chip that programs itself.

The boot loader is a small one of the tests' own (fixtures/boot_loader.c), at 115,200 baud.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.desk import DeskServer
from offtake.bench.firmware import load_elf
from offtake.firmware_build import build

LOADER_START = 0x7800


def flash(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [str(Path(sys.executable).with_name("offtake")), "flash", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120)


@pytest.mark.parametrize("board", ["atmega328p_16mhz", "atmega328p_8mhz"])
def test_flash_writes_the_firmware_and_leaves_the_loader(avr_program: Callable[..., Path], board: str) -> None:
    loader = avr_program("boot_loader", start=LOADER_START, frequency_hz=16_000_000)
    with Bench(loader, board=Board(reset_pc=LOADER_START)) as bench, DeskServer(bench) as server:
        done = flash(server.port, "--board", board, "--speed", "115200")
        assert done.returncode == 0, done.stdout + done.stderr
        with server.held():
            expected = load_elf(build(board)).flash
            assert bench.flash[: len(expected)] == expected
            assert bench.flash[LOADER_START:] == load_elf(loader).flash[LOADER_START:].ljust(0x800, b"\xff")


def test_no_board_at_the_port_is_a_clear_error(tmp_path: Path) -> None:
    done = flash(str(tmp_path / "no port"))
    assert done.returncode == 3
    assert "no port" in done.stderr
