"""The budget's formulas: what must hold whatever the figures, and their ends."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.budget import circuit, storage, supply
from offtake.budget.divisor import Divisor, chosen_divisor, line_speed_range_percent
from offtake.budget.parts import load_parts
from offtake.budget.stalls import LONGEST_MS, Load, Output, arriving_bytes, block_ms, longest_stall_ms, lost_bytes

PARTS = load_parts()
RING = 1_484
BOARDS = (("atmega328p_16mhz", 16_000_000), ("atmega328p_8mhz", 8_000_000))
OUTPUTS = st.lists(
    st.builds(Output, st.just("any"), st.floats(0.1, 20.0), st.integers(10, 400)), min_size=1, max_size=5
).map(tuple)
BAUDS = st.integers(1_200, 1_000_000)


def nearest_ubrr(clock: int, baud: int, *, double: bool) -> int:
    """The register value whose bit is nearest in length, found by trying them all."""
    return min(range(4096), key=lambda ubrr: abs(1 / Divisor(clock, ubrr, double).speed_bd - 1 / baud))


@settings(deadline=None)
@given(BAUDS, st.sampled_from((8_000_000, 16_000_000)))
def test_chosen_divisor_is_the_nearest_of_both_modes(baud: int, clock: int) -> None:
    chosen = chosen_divisor(clock, baud)
    others = [Divisor(clock, nearest_ubrr(clock, baud, double=double), double) for double in (False, True)]
    # Halfway between two dividers either is as near in bit time and they differ in speed.
    best = min(abs(1 / other.speed_bd - 1 / baud) for other in others)
    assert abs(1 / chosen.speed_bd - 1 / baud) <= best * (1 + 1e-9)


def test_line_speed_range_follows_the_clocks() -> None:
    exact = Divisor(16_000_000, 3, False)
    assert line_speed_range_percent(exact, 250_000, 0.0, 0.0) == (100.0, 100.0)
    slowest, fastest = line_speed_range_percent(exact, 250_000, 1.0, 0.5)
    assert slowest == pytest.approx(100 * 0.995 / 1.01)
    assert fastest == pytest.approx(100 * 1.005 / 0.99)
    # A chip that is too fast sees the line as slow.
    assert line_speed_range_percent(chosen_divisor(16_000_000, 115_200), 115_200, 0.0, 0.0)[0] < 100.0


@given(OUTPUTS, BAUDS, st.floats(0.0, 2_000.0), st.floats(0.0, 2_000.0))
def test_more_time_never_brings_less(outputs: tuple[Output, ...], baud: int, first: float, more: float) -> None:
    load = Load(baud, outputs)
    assert arriving_bytes(load, first) <= arriving_bytes(load, first + more) + 1e-9
    assert arriving_bytes(load, first) <= baud / 10 * first / 1000 + 1e-9


@pytest.mark.parametrize("seed_ms", [0.0, 137.0, 612.0])
def test_bursts_are_bounded_wherever_the_stall_begins(seed_ms: float) -> None:
    """Against a line drawn out byte by byte: 300 bytes five times a second, 90 once."""
    load = Load(57_600, (Output("a", 5.0, 300), Output("b", 1.0, 90)))
    due = sorted([(1000.0 / 5 * i, 300) for i in range(50)] + [(1000.0 * i, 90) for i in range(10)])
    times: list[float] = []
    free = 0.0
    for at, size in due:
        free = max(free, at)
        times += [free + i * 1000.0 / 5_760 for i in range(size)]
        free = times[-1] + 1000.0 / 5_760
    for length in (50.0, 250.0, 500.0, 900.0):
        for begin in (seed_ms, seed_ms + 55.5, seed_ms + 199.0):
            came = sum(begin <= at < begin + length for at in times)
            # What was still waiting for the line when the stall began comes too: one burst of each at the most.
            assert came <= arriving_bytes(load, length) + 390


@pytest.mark.parametrize(("board", "clock"), BOARDS)
@given(outputs=st.one_of(st.just(()), OUTPUTS), baud=st.integers(1_200, 250_000))
def test_the_longest_stall_divides_loss_from_none(
    board: str, clock: int, outputs: tuple[Output, ...], baud: int
) -> None:
    load, costs = Load(baud, outputs), PARTS.boards[board]
    longest = longest_stall_ms(load, RING, costs, clock)
    if longest > 0.0:
        assert lost_bytes(load, longest, RING, costs, clock) == 0.0
    if longest < LONGEST_MS:
        assert lost_bytes(load, longest + 0.01, RING, costs, clock) > 0.0
    assert longest >= longest_stall_ms(Load(baud), RING, costs, clock)


def test_a_line_the_interrupts_cannot_bear() -> None:
    costs = PARTS.boards["atmega328p_8mhz"]
    assert math.isinf(block_ms(costs, 8_000_000, 8_000_000 / costs.receive_cycles))


def test_load_is_capped_by_the_line() -> None:
    load = Load(9_600, (Output("a", 10.0, 200),))
    assert (load.asked_bytes_per_s, load.bytes_per_s, load.saturated) == (2_000.0, 960.0, True)
    assert Load(9_600).bytes_per_s == 960.0


def test_card_rates() -> None:
    # Saturated: 512 bytes for each 484 (shared_spec/block.toml).
    assert storage.card_bytes_per_s(Load(57_600)) == pytest.approx(5_760 * 512 / 484)
    # A sentence a second: a block a second, however little is in it.
    assert storage.card_bytes_per_s(Load(57_600, (Output("a", 1.0, 75),))) == 512.0
    # A burst of 600 bytes a second needs two.
    assert storage.card_bytes_per_s(Load(57_600, (Output("a", 1.0, 600),))) == 1_024.0
    # A sentence every ten seconds: a block every ten seconds.
    assert storage.card_bytes_per_s(Load(57_600, (Output("a", 0.1, 75),))) == pytest.approx(51.2)
    # Five bursts a second: the fifth comes when the block is 800 ms old, and finds it closed.
    assert storage.blocks_per_s(Load(57_600, (Output("a", 5.0, 75),))) == pytest.approx(1.25)
    # Many small bursts: each adds a frame of its own.
    busy = storage.card_bytes_per_s(Load(57_600, (Output("a", 20.0, 100),)))
    assert busy == pytest.approx((2_000 + 20 * 9) * 512 / 484)


def test_hours_and_years() -> None:
    assert storage.hours_to_fill(3_600_000, 1_000) == 1.0
    # 100 fillings of 86,400 bytes at 1 byte a second, all day: 100 days.
    assert storage.flash_years(86_400, 1.0, 24.0, 100, 1.0) == pytest.approx(100 / 365.25)
    assert storage.flash_years(86_400, 1.0, 12.0, 100, 2.0) == pytest.approx(100 / 365.25)


def test_currents() -> None:
    assert circuit.clamp_current_ma(3.3, 5.0, 0.5, 1000.0) == 0.0
    assert math.isinf(circuit.clamp_current_ma(5.0, 3.3, 0.5, 0.0))
    assert circuit.series_ohm_for(5.0, 0.5, 1.0) == 4_500.0
    assert circuit.clamp_current_ma(5.0, 0.0, 0.5, 4_500.0) == pytest.approx(1.0)
    assert circuit.power_mw(5.0, 1000.0) == pytest.approx(25.0)
    # 40 pF, 3.3 V, one charge in two bits of 57,600 a second.
    assert circuit.charging_current_ma(40.0, 3.3, 57_600) == pytest.approx(0.0038, abs=0.00005)


@given(st.floats(0.0, 0.6), st.floats(1.8, 5.5))
def test_the_resistor_that_wins_just_wins(low_v: float, supply_v: float) -> None:
    reach = 0.3 * supply_v
    ohm = circuit.series_ohm_against(supply_v, 1000.0, low_v, reach)
    if ohm > 0.0:
        assert circuit.between_v(low_v, ohm, supply_v, 1000.0) == pytest.approx(reach)


@given(st.floats(4.0, 20.0))
def test_safe_clock_and_its_inverse(clock: float) -> None:
    assert supply.safe_clock_mhz(supply.least_supply_v(clock) + 1e-9) == pytest.approx(clock, abs=1e-6)


def test_supply_ends() -> None:
    assert supply.safe_clock_mhz(1.79) == 0.0
    assert supply.least_supply_v(1.0) == 1.8
    points = [(2.0, 0.30), (3.0, 0.425), (5.0, 0.65)]
    assert supply.chip_current_ma(points, 5.0, 16.0) == pytest.approx(10.4)
    assert supply.chip_current_ma(points, 3.3, 8.0) == pytest.approx(3.67)
    assert supply.card_current_ma(1.0, 40.0, 2.0) == 40.0
    assert supply.battery_hours(1_000.0, 0.8, 20.0) == 40.0
