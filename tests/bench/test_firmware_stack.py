"""The deepest stack, looked at after every instruction, leaves the margin that the board's definition asks for."""

from __future__ import annotations

import random
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest
from card_image import JOURNAL_ID, header_block, make_journal
from offtake.bench.board import Bench, Board
from offtake.bench.cards import AWKWARD, Card, scripted
from offtake.bench.desk import DeskServer
from offtake.bench.line import steady
from offtake.firmware_build import build
from offtake.link.desk import open_desk
from offtake.link.runs import list_runs


@pytest.fixture(scope="module")
def board(repo_root: Path) -> dict[str, Any]:
    definition: dict[str, Any] = tomllib.loads((repo_root / "shared_spec/boards/atmega328p.toml").read_text())["board"]
    return definition


def room(elf: Path, board: dict[str, Any]) -> int:
    """Bytes that the stack may take: RAM less static data less the margin."""
    sizes = subprocess.run(["avr-size", str(elf)], capture_output=True, text=True, check=True).stdout
    _, data, zeroed = (int(number) for number in sizes.splitlines()[1].split()[:3])
    return int(board["ram_bytes"]) - data - zeroed - int(board["stack_margin_bytes"])


@pytest.mark.parametrize(("name", "hz"), [("atmega328p_16mhz", 16_000_000), ("atmega328p_8mhz", 8_000_000)])
@pytest.mark.parametrize("fat", [16, 32])
def test_recording_with_losses_and_line_faults(
    board: dict[str, Any], tmp_path: Path, name: str, hz: int, fat: int
) -> None:
    elf = build(name)
    journal = make_journal(tmp_path, blocks=256, size_mib=16 if fat == 16 else 40, fat=fat)
    payload = random.Random(1).randbytes(12_000)
    line = steady(payload, baud=57_600, frequency_hz=hz, start_ms=1200)
    line = line.with_glitches(40, seed=2, width_cycles=hz // 100_000, until_cycle=4 * hz)
    card = Card(busy=scripted(5, 500, 5), seed=3)
    with Bench(
        elf, image=journal.image, card=card, line=line, board=Board(frequency_hz=hz), seed=4, profile=True
    ) as bench:
        assert bench.run_line(then_ms=2500).ok
        deepest, events, blocks = bench.cost.stack_bytes, len(bench.uart_events), len(bench.writes)
    assert blocks > 5
    assert events > 0
    assert 100 < deepest <= room(elf, board)


def test_at_the_desk(board: dict[str, Any], tmp_path: Path) -> None:
    elf = build("atmega328p_16mhz")
    journal = make_journal(tmp_path, blocks=256, size_mib=16)
    with Bench(elf, image=journal.image, card=AWKWARD, seed=4, profile=True) as bench:
        with DeskServer(bench) as server, open_desk(server.port) as desk:
            desk.greet()
            desk.describe()
            assert list_runs(desk) == []
            assert desk.read(0, 1024, 512, lambda _offset, _data: None)
            assert desk.write_header(header_block(256)) == JOURNAL_ID
            desk.leave()
        deepest = bench.cost.stack_bytes
    # There the ring leaves the end of its memory to the stack.
    assert 100 < deepest <= room(elf, board) + int(board["desk_stack_bytes"])
