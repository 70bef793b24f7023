"""The two-wire bus and the pressure sensor on it, against a careful controller in software, and what the sensor reads.

Facts of the part: BMP280 datasheet BST-BMP280-DS001, rev. 1.23: registers, forced mode, resolutions (read); times and
the worked example (from memory). libsimavr knows no bus made of pins.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from offtake.bench.board import Bench
from offtake.bench.compensation import (
    Constants,
    fine_temperature,
    raw_readings,
    true_pressure_pa,
    true_temperature_degc,
)
from offtake.bench.sensors import (
    PressurePart,
    Stuck,
    World,
)

HZ = 16_000_000
FIRST = 1_040_000
"""Cycle of the first instruction: 65 ms."""
Builder = Callable[..., Path]


CONSTANTS = Constants()
RAW = (415_148, 519_888)
X16 = (5 << 2) | (5 << 5) | 1
X1_X4 = (3 << 2) | (1 << 5) | 1


def _master(avr_program: Builder, part: PressurePart, control: int = X16, ms: float = 300.0) -> Bench:
    bench = Bench(avr_program("wire_master", CONTROL=control), sensors=World(pressure=part))
    bench.run_ms(ms)
    return bench


def _readings(bytes_read: bytes) -> tuple[int, int]:
    value = int.from_bytes(bytes_read, "big")
    return value >> 28, (value >> 4) & 0xFFFFF


def test_the_part_tells_who_it_is_and_what_it_reads(avr_program: Builder) -> None:
    part = PressurePart(((0.0, *RAW),), rise_us=1.0)
    with _master(avr_program, part) as bench:
        assert bench.symbol_int("done") == 1
        assert (bench.symbol_int("answered"), bench.symbol_int("other_answered")) == (1, 0)
        assert bench.symbol_int("identity") == 0x58
        assert bench.symbol("constants") == CONSTANTS.stored
        assert _readings(bench.symbol("before")) == (0x80000, 0x80000)
        assert _readings(bench.symbol("data")) == RAW
        assert bench.symbol("status") == bytes([8, 0])
        assert bench.symbol_int("control") == X16 & ~3, "after a forced conversion it sleeps"
        assert bench.symbol_int("failed") == bench.symbol_int("stretched") == bench.symbol_int("cleared") == 0
        counts = bench.sensor_counts
        # A wire let go is still low in the next cycle, and up after its rise time.
        assert bench.symbol_int("read_at_once") & 0x20 == 0
        assert bench.symbol_int("read_risen") & 0x20 == 0x20
        conversions = [(int(c["value"]), int(c["kind"])) for c in bench.conversions]
    assert conversions == [RAW]
    assert counts.only_inputs
    assert counts.bus_driven_cycle == counts.bus_pullup_cycle == 0
    assert (counts.too_fast, counts.unexpected, counts.unanswered) == (0, 0, 1)


@pytest.mark.parametrize(
    ("control", "ms"), [(X16, 1.25 + 2.3 * 16 + 0.575 + 2.3 * 16), (X1_X4, 1.25 + 2.3 + 0.575 + 2.3 * 4)]
)
def test_a_conversion_takes_its_time(avr_program: Builder, control: int, ms: float) -> None:
    # The longest times of the datasheet's "Measurement time" (from memory). One poll takes 0.5 ms and the reading.
    part = PressurePart(((0.0, *RAW),))
    with _master(avr_program, part, control) as bench:
        began = int(bench.conversions["cycle"][0])
        assert _readings(bench.symbol("during")) == (0x80000, 0x80000)
        assert bench.symbol("status")[0] == 8
        bits = {X16: (20, 20), X1_X4: (18, 16)}[control]
        assert _readings(bench.symbol("data")) == tuple(
            raw & ~((1 << (20 - kept)) - 1) for raw, kept in zip(RAW, bits, strict=True)
        )
    over = began + ms * HZ / 1000
    with Bench(avr_program("wire_master", CONTROL=control), sensors=World(pressure=part)) as early:
        early.run_until(over - 100)
        assert _readings(early.symbol("data")) == (0, 0)
        polls = early.symbol_int("polls")
        early.run_ms(5)
        assert early.symbol_int("polls") in (polls, polls + 1, polls + 2)
        assert early.symbol_int("done") == 1


def test_an_absent_part_answers_nothing(avr_program: Builder) -> None:
    with _master(avr_program, PressurePart(((0.0, *RAW),), present=())) as bench:
        assert bench.symbol_int("answered") == 0
        assert bench.symbol_int("identity") == 0xFF, "the pull-ups read as ones"
        assert bench.symbol_int("failed") == 0
        assert bench.sensor_counts.acknowledged == 0
    with _master(avr_program, PressurePart(((0.0, *RAW),), present=(), own_pull_ups=True), ms=2_000) as bench:
        assert bench.symbol_int("failed") == 1, "without pull-ups the clock never rises"
        assert bench.symbol_int("answered") == 1, "and a low wire looks like an answer"


def test_a_part_goes_and_comes_back(avr_program: Builder) -> None:
    part = PressurePart(((0.0, *RAW),), present=((0, FIRST + 96_000), (FIRST + 200_000, 2**40)))
    with _master(avr_program, part) as bench:
        assert bench.symbol_int("answered") == 1
        assert bench.symbol_int("identity") in (0x58, 0xFF)
        assert 0xFF in bench.symbol("constants")
        counts = bench.sensor_counts
    assert counts.unanswered > 1
    assert counts.acknowledged > 1


def test_wrong_part_other_address_and_stretched_clock(avr_program: Builder) -> None:
    with _master(avr_program, PressurePart(((0.0, *RAW),), chip_id=0x60)) as bench:
        assert bench.symbol_int("identity") == 0x60
    with _master(avr_program, PressurePart(((0.0, *RAW),), address=0x77)) as bench:
        assert bench.symbol_int("answered") == 0
    with _master(avr_program, PressurePart(((0.0, *RAW),), stretch_us=80.0), ms=1_000) as bench:
        assert bench.symbol_int("stretched") > 100
        assert bench.symbol_int("failed") == 0
        assert _readings(bench.symbol("data")) == RAW


def test_sda_held_low_is_freed_by_clocks(avr_program: Builder) -> None:
    # The program lets SCL rise once before it counts, and the part lets go as SCL falls after the seventh.
    stuck = (Stuck(0.0, clocks=7),)
    with _master(avr_program, PressurePart(((0.0, *RAW),), stuck=stuck)) as bench:
        assert bench.symbol_int("cleared") == 7
        assert _readings(bench.symbol("data")) == RAW
    with _master(avr_program, PressurePart(((0.0, *RAW),), stuck=(Stuck(0.0),)), ms=1_000) as bench:
        assert bench.symbol_int("cleared") == 20
        assert bench.symbol_int("identity") == 0


def test_published_worked_example_of_the_compensation() -> None:
    # Memory: BMP280 datasheet BST-BMP280-DS001, worked example: 25.08 degC and 100653.27 Pa.
    fine = fine_temperature(CONSTANTS, RAW[1])
    assert fine == pytest.approx(128_422, abs=1)
    assert true_temperature_degc(CONSTANTS, RAW[1]) == pytest.approx(25.08, abs=0.005)
    assert true_pressure_pa(CONSTANTS, RAW[0], fine) == pytest.approx(100_653.27, abs=0.01)


def test_raw_readings_are_the_inverse() -> None:
    for pa in (30_000.0, 70_123.4, 101_325.0, 110_000.0):
        for degc in (-40.0, 3.21, 25.0, 85.0):
            raw_pressure, raw_temperature = raw_readings(CONSTANTS, pa, degc)
            fine = fine_temperature(CONSTANTS, raw_temperature)
            assert true_temperature_degc(CONSTANTS, raw_temperature) == pytest.approx(degc, abs=0.002)
            assert true_pressure_pa(CONSTANTS, raw_pressure, fine) == pytest.approx(pa, abs=0.12)
