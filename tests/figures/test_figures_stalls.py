"""The stall table's floors hold, and the search behind it finds what is there. The whole table: tests/stalls."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from figure_limits import crossed_stalls, load_limits
from rig import Rig, rig_for
from stall_search import BAUDS, PHASES, RAM_BYTES, Outcome, StallRow, StallSearch, endurance, floor_holds, longest_stall

LIMITS = load_limits()


@pytest.fixture(scope="module")
def fast() -> Iterator[Rig]:
    with rig_for("atmega328p_16mhz") as rig:
        yield rig


@pytest.fixture(scope="module")
def slow() -> Iterator[Rig]:
    with rig_for("atmega328p_8mhz") as rig:
        yield rig


@pytest.mark.parametrize("baud", BAUDS)
def test_the_committed_stall_is_survived(fast: Rig, baud: int) -> None:
    floor = LIMITS.boards[fast.board].stall_ms[baud]
    assert floor_holds(fast, baud, floor, phases=PHASES[:2]) is None


@pytest.mark.parametrize("baud", [57_600, 115_200])
def test_the_committed_stall_is_survived_at_8_mhz(slow: Rig, baud: int) -> None:
    floor = LIMITS.boards[slow.board].stall_ms[baud]
    assert floor_holds(slow, baud, floor, phases=PHASES[:2]) is None


def test_a_stall_beyond_all_ram_is_a_counted_loss(fast: Rig) -> None:
    search = StallSearch(fast, 57_600)
    lost = search.stall(PHASES[0], int(RAM_BYTES * 10_000 / 57_600) + 1, 57_600)
    assert not lost.survived
    assert not lost.intact
    assert lost.counted_lost > 0
    assert not lost.misread


def test_a_misread_line_is_told_from_a_loss(fast: Rig) -> None:
    # 16 MHz at double speed, divider 9: -3.5 % (datasheet table in check values).
    assert fast.own_rate(230_400) == pytest.approx(222_222.2, abs=0.1)
    search = StallSearch(fast, 230_400)
    assert search.unstalled(230_400).misread
    assert search.unstalled(fast.own_rate(230_400)).survived


def test_a_stall_shorter_than_the_floor_is_told() -> None:
    outcome = Outcome(1, 1, True, 0, 0, 0)
    row = StallRow(9_600, 9_600.0, LIMITS.boards["atmega328p_16mhz"].stall_ms[9_600] - 1, outcome, 2133.0, "")
    (sentence,) = crossed_stalls([row], LIMITS.boards["atmega328p_16mhz"])
    assert sentence.startswith("9,600 baud: ")


@pytest.mark.parametrize("seconds", [5.0, pytest.param(60.0, marks=pytest.mark.long)])
def test_the_fastest_line_is_sustained(fast: Rig, seconds: float) -> None:
    outcome = endurance(fast, int(LIMITS.boards[fast.board].sustained_bd), seconds)
    assert outcome.survived
    assert outcome.sent == seconds * LIMITS.boards[fast.board].sustained_bd / 10


def test_the_fastest_line_is_sustained_at_8_mhz(slow: Rig) -> None:
    assert endurance(slow, int(LIMITS.boards[slow.board].sustained_bd), 5.0).survived


@pytest.mark.long
@pytest.mark.parametrize("board", ["atmega328p_16mhz", "atmega328p_8mhz"])
def test_the_whole_table(board: str) -> None:
    with rig_for(board) as rig:
        rows = [longest_stall(rig, baud) for baud in BAUDS]
    assert crossed_stalls(rows, LIMITS.boards[board]) == []
