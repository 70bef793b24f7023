"""The firmware's costs stay within tests/limits.toml. The whole table: tests/costs."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from cost_measure import Costs, measure
from cost_sizes import UNATTRIBUTED, Sizes, section_sizes, sizes_by_module
from cost_table import print_interrupts, print_memory, print_speeds, print_starts
from figure_limits import crossed_costs, load_limits
from offtake.firmware_build import build
from rig import rig_for
from stall_search import BAUDS

LIMITS = load_limits()
BOARDS = ("atmega328p_16mhz", "atmega328p_8mhz")


@pytest.fixture(scope="module", params=BOARDS)
def board(request: pytest.FixtureRequest) -> str:
    name: str = request.param
    return name


@pytest.fixture(scope="module")
def sizes(board: str, tmp_path_factory: pytest.TempPathFactory) -> Sizes:
    return sizes_by_module(board, tmp_path_factory.mktemp("sizes"))


@pytest.fixture(scope="module")
def costs(board: str) -> Costs:
    with rig_for(board) as rig:
        return measure(rig, bauds=(57_600, 250_000), journals_mib=(1,))


def test_no_limit_is_crossed(board: str, costs: Costs, sizes: Sizes) -> None:
    assert crossed_costs(costs, sizes, LIMITS.boards[board], LIMITS.memory) == []


def test_everything_was_measured(costs: Costs) -> None:
    assert costs.receive.count > 10_000
    assert 0 < costs.receive.mean < costs.receive.worst
    # The longest time without interrupts is at least the longest handler, which runs without them.
    assert costs.irq_off_worst >= costs.receive.worst
    assert {"start and mount", "recording", "losses and faults"} <= set(costs.stack)
    assert all(50 < size < 1000 for size in costs.stack.values())
    assert all(0 < s.interrupt_share < s.work_share < 1 for s in costs.speeds)
    # 512 bytes over SPI at half the clock take 16 cycles each at the very least.
    assert all(s.write_mean_cycles > 512 * 16 for s in costs.speeds)
    assert all(0 < start.first_kept_ms < start.ready_ms for start in costs.starts)


def test_the_modules_add_up_to_the_image(board: str, sizes: Sizes) -> None:
    text, data, zeroed = section_sizes(build(board))
    assert sum(sizes.flash.values()) == sizes.total_flash == text + data
    assert sum(sizes.ram.values()) == sizes.total_ram == data + zeroed
    assert sizes.flash.get(UNATTRIBUTED, 0) <= 64
    assert sizes.ram.get(UNATTRIBUTED, 0) <= 32
    assert {"ot_card", "ot_desk", "ot_fat", "ot_framer", "ot_journal", "ot_logger", "avr_port"} <= set(sizes.flash)


def test_a_crossed_limit_is_told(board: str, costs: Costs, sizes: Sizes) -> None:
    limits = LIMITS.boards[board]
    tight = replace(limits, cost=replace(limits.cost, receive_worst_cycles=costs.receive.worst - 1))
    (sentence,) = crossed_costs(costs, sizes, tight, LIMITS.memory)
    assert sentence.startswith("receive interrupt, worst cycles: ")
    tight = replace(limits, overhead=dict.fromkeys(BAUDS, 0.01))
    assert len(crossed_costs(costs, sizes, tight, LIMITS.memory)) == len(costs.speeds)
    small = replace(LIMITS.memory, ram_bytes=1900, flash_limit_bytes=sizes.total_flash - 1)
    assert len(crossed_costs(costs, sizes, limits, small)) == 2


def test_the_table_fits_a_terminal(costs: Costs, sizes: Sizes, capsys: pytest.CaptureFixture[str]) -> None:
    print_interrupts(costs, LIMITS)
    print_speeds(costs, LIMITS)
    print_memory(costs, sizes, LIMITS)
    print_starts(costs)
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) > 30
    assert max(map(len, lines)) <= 80


def test_the_folder_of_the_build_is_put_back(tmp_path: Path) -> None:
    before = build(BOARDS[0])
    sizes_by_module(BOARDS[0], tmp_path)
    assert build(BOARDS[0]) == before
