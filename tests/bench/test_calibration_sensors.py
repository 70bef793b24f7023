"""The chip's parts that meet sensors against silicon: timers, capture, pulses, pin changes, converter, and an I2C bus.

Found in libsimavr 1.6, and replaced by the bench's own: a prescaler begins with its timer (silicon: free running since
reset, one for timers 0 and 1); GTCCR does nothing; the 16-bit registers know no TEMP; SBI on a register of flags or on
PINx writes back all of it (silicon: one bit); no capture pin, noise canceller or T0 pin moves without a hook; the
converter converts when ADCL is read, with ADMUX as it is then, starts at once, and scales by 1,023.

Register facts: ATmega48A to 328P datasheet, 8271H, sections "Timer/Counter0 and Timer/Counter1 Prescalers", "Input
Capture Unit", "Prescaling and Conversion Timing" (read), the others from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.compensation import (
    Constants,
    fine_temperature,
    raw_readings,
    true_pressure_pa,
    true_temperature_degc,
)
from offtake.bench.firmware import Firmware
from offtake.bench.sensors import (
    AnalogueInput,
    EventInput,
    PressurePart,
    PulseInput,
    PulseTrain,
    Stuck,
    World,
)
from offtake.errors import UsageError

HZ = 16_000_000
FIRST = 1_040_000
"""Cycle of the first instruction: 65 ms."""
Builder = Callable[..., Path]


def _array(bench: Bench, name: str, kind: str) -> list[int]:
    return [int(v) for v in np.frombuffer(bench.symbol(name), dtype=kind)]


# ---- timers ----


@pytest.fixture(scope="module")
def clock_values(avr_program: Builder) -> Callable[[str], bytes]:
    bench = Bench(avr_program("clocks"))
    bench.run_ms(80)
    assert bench.symbol_int("done") == 1
    return bench.symbol


def test_prescalers_run_free(clock_values: Callable[[str], bytes]) -> None:
    # "The number of system clock cycles from when the timer is enabled to the first count occurs can be from 1 to N+1"
    # (prescalers, "Prescaler Reset"), N being 64. Reading and the loop that looks add up to 20 cycles.
    waits = list(clock_values("phases"))
    assert max(waits) - min(waits) >= 32
    assert max(waits) <= 65 + 20


def test_prescalers_are_reset_together_and_held(clock_values: Callable[[str], bytes]) -> None:
    held = clock_values("held")
    assert held[0] == held[1] == 0, "TSM holds the prescalers, so that nothing steps"
    assert clock_values("behind")[0] == 0
    assert clock_values("ahead")[0] <= 200 * 2 * 3 // 64, "two cycles lie between the looks"
    assert (clock_values("after_reset")[0], clock_values("after_more")[0]) == (0, 1)


def test_16_bit_registers_share_temp(clock_values: Callable[[str], bytes]) -> None:
    assert int.from_bytes(clock_values("torn"), "little") == 0x0034, "TEMP holds the high byte of what was read last"
    assert int.from_bytes(clock_values("temp_written"), "little") == 0x5678


def test_a_flag_is_cleared_alone(clock_values: Callable[[str], bytes]) -> None:
    tov1, ocf1a, ocf1b = 1, 2, 4
    assert clock_values("sbi_flags")[0] == tov1 | ocf1b != ocf1a
    assert clock_values("out_flags")[0] == tov1


def test_a_compare_flag_comes_one_step_after_the_match(clock_values: Callable[[str], bytes]) -> None:
    assert clock_values("compare_early")[0] == 0
    assert clock_values("compare_late")[0] == 2


def test_an_output_reads_back_too_early(clock_values: Callable[[str], bytes]) -> None:
    # The synchroniser needs a cycle between store and reading ("Reading the Pin Value"). For the chip's own outputs
    # the emulator has none: pinned, so that nobody relies on it. The bus below has it.
    assert clock_values("read_back")[0] >> 1 & 1 == 1
    assert clock_values("read_later")[0] >> 1 & 1 == 0


# ---- capture ----

EDGES = (1_100_000.0, 1_100_400.5, 1_101_003.25, 1_101_003.25 + 900, 1_110_000.0)


def _captures(program: Path, edges: tuple[float, ...], **world: bool) -> list[tuple[int, int, int]]:
    with Bench(program, sensors=World(event=EventInput(edges), **world)) as bench:
        assert bench.run_ms(80).ok
        log = [(int(c["cycle"]), int(c["kind"]), int(c["value"])) for c in bench.captures]
        read = _array(bench, "captured", "<u2")[: bench.symbol_int("captures")]
    taken = [value for cycle, kind, value in log if cycle >= edges[0]]
    assert read == taken[: len(read)]
    return log


@pytest.mark.parametrize(("cancel", "extra"), [(0, 0), (1, 4)])
@pytest.mark.parametrize("select", [0, 1])
def test_a_capture_comes_a_few_cycles_after_its_edge(
    avr_program: Builder, cancel: int, extra: int, select: int
) -> None:
    # 2.5 to 3.5 cycles (prescalers, "External Clock Source"), four more with the noise canceller ("Noise Canceler").
    program = avr_program("capture", CANCEL=cancel, SELECT=select, BOTH=0, PROBE=0)
    seen = [cycle for cycle, _, _ in _captures(program, EDGES) if cycle >= EDGES[0]]
    wanted = EDGES[(0 if select else 1)::2]
    assert len(seen) == len(wanted)
    assert all(2.5 + extra <= cycle - edge <= 3.5 + extra for cycle, edge in zip(seen, wanted, strict=True))


def test_what_is_captured_is_the_count_then(avr_program: Builder) -> None:
    program = avr_program("capture", CANCEL=0, SELECT=1, BOTH=0, PROBE=0)
    rising = [(cycle, value) for cycle, kind, value in _captures(program, EDGES) if kind == 1]
    starts = {cycle - value for cycle, value in rising}
    assert len({start % 65_536 for start in starts}) == 1


def test_the_noise_canceller_wants_four_equal_samples(avr_program: Builder) -> None:
    at = 1_100_000.0
    short = tuple(at + 1_000 * i + d for i, width in enumerate((1.0, 2.0, 3.0, 3.4)) for d in (0.0, width))
    long = (at + 10_000, at + 10_004.0, at + 11_000, at + 11_050)
    without = avr_program("capture", CANCEL=0, SELECT=1, BOTH=0, PROBE=0)
    through = avr_program("capture", CANCEL=1, SELECT=1, BOTH=0, PROBE=0)
    assert len(_captures(without, short + long)) == 6
    assert len(_captures(through, short)) == 0
    assert len(_captures(through, short + long)) == 2
    # A level that drops out for less than four samples goes on.
    dropped = (at, at + 500, at + 502, at + 900)
    assert len(_captures(through, dropped)) == 1


def test_both_edges_with_the_selection_turned_over(avr_program: Builder) -> None:
    program = avr_program("capture", CANCEL=1, SELECT=1, BOTH=1, PROBE=0)
    log = _captures(program, EDGES)
    assert [kind for _, kind, _ in log] == [1, 0, 1, 0, 1]


@pytest.mark.parametrize("false_edges", [True, False])
def test_turning_the_selection_over_can_look_like_an_edge(avr_program: Builder, false_edges: bool) -> None:
    # "After a change of the edge, the Input Capture Flag must be cleared by software" ("Using the Input Capture Unit").
    program = avr_program("capture", CANCEL=0, SELECT=0, BOTH=0, PROBE=1)
    world = World(event=EventInput((1_100_000.0, 1_150_000.0)), false_edges=false_edges)
    with Bench(program, sensors=world) as bench:
        bench.run_ms(80)
        assert bool(bench.symbol_int("false_flag")) is false_edges
        assert bench.symbol_int("false_flag_low") == 0


# ---- pulses ----


def _count(bench: Bench) -> int:
    return bench.symbol_int("overflows") * 256 + bench.symbol_int("low")


@pytest.mark.parametrize(
    ("period", "high"),
    [(2.5, 1.25), (3.0, 1.0), (7.3, 5.1), (1_000.0, 20.0)],
    ids=["f/2.5", "f/3 narrow", "uneven", "slow"],
)
def test_every_pulse_up_to_the_limit_counts(avr_program: Builder, period: float, high: float) -> None:
    # f/2.5 is the datasheet's limit (prescalers, "External Clock Source").
    count = 10_000 if period < 100 else 777
    program = avr_program("pulse_count", EDGE=1, CHANGES=0, MASK_HIGH=0)
    world = World(pulses=PulseInput((PulseTrain(1_100_000.0, period, count, high),)))
    with Bench(program, sensors=world) as bench:
        bench.run_ms(120)
        assert _count(bench) == count
        assert bench.symbol("kept") == bytes([0x5A, 0xA5]), "OCR0A and OCR0B are left alone"


def test_falling_edges_count_at_the_pulses_ends(avr_program: Builder) -> None:
    program = avr_program("pulse_count", EDGE=0, CHANGES=0, MASK_HIGH=0)
    world = World(pulses=PulseInput((PulseTrain(1_100_000.0, 400.0, 10, 300.0),)))
    with Bench(program, sensors=world) as bench:
        bench.run_until(1_100_000 + 9 * 400 + 200)
        assert _count(bench) == 9
        bench.run_ms(1)
        assert _count(bench) == 10


def test_a_pin_change_interrupts_at_both_edges(avr_program: Builder) -> None:
    program = avr_program("pulse_count", EDGE=1, CHANGES=1, MASK_HIGH=0)
    train = PulseTrain(1_100_000.0, 500.0, 5, 123.0)
    with Bench(program, sensors=World(pulses=PulseInput((train,)))) as bench:
        bench.run_ms(80)
        assert bench.symbol_int("changes") == 10
        at = _array(bench, "change_at", "<u2")[:10]
        levels = list(bench.symbol("change_level")[:10])
        assert _count(bench) == 5
    assert [bool(level) for level in levels] == [True, False] * 5
    # The same way to the handler each time, but for the three cycles of the loop's longest instruction.
    apart = [(b - a) % 65_536 for a, b in zip(at[::2], at[1::2], strict=True)]
    assert all(abs(cycles - 123) <= 3 for cycles in apart)


@pytest.mark.parametrize("false_edges", [True, False])
def test_a_high_pin_that_comes_into_the_mask_can_look_like_a_change(avr_program: Builder, false_edges: bool) -> None:
    # The mask stands before the edge detector (figure "Pin Change Interrupt").
    program = avr_program("pulse_count", EDGE=1, CHANGES=0, MASK_HIGH=1)
    train = PulseTrain(1_100_000.0, 0.0, 1, 50_000.0)
    with Bench(program, sensors=World(pulses=PulseInput((train,)), false_edges=false_edges)) as bench:
        bench.run_ms(70)
        assert bool(bench.symbol_int("masked_flag")) is false_edges


# ---- converter ----


def test_a_conversion_waits_for_the_clock_and_takes_13_of_them(avr_program: Builder) -> None:
    program = avr_program("converter", CHANNEL=0)
    with Bench(program, sensors=World(analogue_1=AnalogueInput(((0.0, 2_500.0),)))) as bench:
        bench.run_ms(200)
        assert bench.symbol_int("done") == 1
        took = _array(bench, "took", "<u2")
        samples = bench.adc_samples["cycle"].astype(np.int64)
        assert bench.symbol_int("polled_flags") == 1 << 4, "ADSC falls as ADIF rises"
        assert bench.symbol_int("interrupts") == 1
    assert 25.4 * 128 <= took[0] <= 25.5 * 128 + 30
    assert all(13 * 128 <= cycles <= 14 * 128 + 30 for cycles in took[1:])
    assert set(np.diff(samples[:40])) == {14 * 128} | {25 * 128 - 12 * 128 + 128}


@pytest.mark.parametrize(
    ("mv", "counts"), [(0.0, 0), (2.4, 0), (2.5, 1), (1_234.0, 253), (4_990.0, 1_022), (9_000.0, 1_023)]
)
def test_a_voltage_becomes_its_count(avr_program: Builder, mv: float, counts: int) -> None:
    # ADC = V x 1,024 / reference ("ADC Conversion Result"), to the nearer count: ideally the first step comes at half a
    # count ("ADC Accuracy Definitions").
    with Bench(avr_program("converter", CHANNEL=0), sensors=World(analogue_1=AnalogueInput(((0.0, mv),)))) as bench:
        bench.run_ms(200)
        assert set(_array(bench, "values", "<u2")) == {counts}


def test_a_voltage_is_taken_when_the_input_is_held(avr_program: Builder) -> None:
    slope = AnalogueInput(((1_000_000.0, 0.0), (2_600_000.0, 5_000.0)))
    with Bench(avr_program("converter", CHANNEL=1), sensors=World(analogue_2=slope)) as bench:
        bench.run_ms(200)
        values = _array(bench, "values", "<u2")
        samples = [(int(s["cycle"]), int(s["kind"])) for s in bench.adc_samples[:40]]
    assert {channel for _, channel in samples} == {1}
    assert values == [int((cycle - 1_000_000) * 5_000 / 1_600_000 * 1_024 / 5_000 + 0.5) for cycle, _ in samples]


def test_noise_is_seeded_and_as_large_as_asked(avr_program: Builder) -> None:
    def values(seed: int, noise: float) -> list[int]:
        world = World(analogue_1=AnalogueInput(((0.0, 2_500.0),), noise_mv=noise), seed=seed)
        with Bench(avr_program("converter", CHANNEL=0), sensors=world) as bench:
            bench.run_ms(200)
            return _array(bench, "values", "<u2")

    assert values(1, 50.0) == values(1, 50.0) != values(2, 50.0)
    assert 6 <= np.std(values(1, 50.0)) <= 15, "50 mV are 10 counts"


def test_the_channel_is_locked_when_the_conversion_begins(avr_program: Builder) -> None:
    world = World(analogue_1=AnalogueInput(((0.0, 1_000.0),)), analogue_2=AnalogueInput(((0.0, 4_000.0),)))
    with Bench(avr_program("converter", CHANNEL=0), sensors=world) as bench:
        bench.run_ms(200)
        assert bench.symbol_int("changed_early") == 819, "before the clock's edge the change still counts"
        assert bench.symbol_int("changed_late") == 205
        assert bench.symbol_int("kept") == 205, "between the reading of ADCL and of ADCH no result comes in"


# ---- the bus ----

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


# ---- what cannot be ----


def test_a_world_that_cannot_be_is_told(avr_program: Builder) -> None:
    program = avr_program("capture", CANCEL=0, SELECT=0, BOTH=0, PROBE=0)
    for world in (
        World(event=EventInput((100.0, 100.5, 200.0))),
        World(event=EventInput((300.0, 200.0))),
        World(pulses=PulseInput((PulseTrain(0.0, 1.5, 10, 1.0),))),
        World(pulses=PulseInput((PulseTrain(0.0, 10.0, 10, 5.0), PulseTrain(50.0, 10.0, 1, 5.0)))),
        World(analogue_1=AnalogueInput(((10.0, 0.0), (5.0, 1.0)))),
        World(pressure=PressurePart(())),
    ):
        with pytest.raises(UsageError):
            Bench(program, sensors=world)
    with pytest.raises(UsageError, match="voltage"):
        AnalogueInput(())
    with pytest.raises(UsageError, match="cannot read"):
        PressurePart.truth(((0.0, 500_000.0, 20.0),))


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


def test_timers_that_are_not_modelled_end_the_run() -> None:
    # LDI R16, 3; OUT TCCR0A (0x24), R16: fast PWM.
    code = bytes([0x03, 0xE0, 0x04, 0xBD, 0xFF, 0xCF])
    with Bench(Firmware(code), board=Board(startup_ms=0.0)) as bench:
        end = bench.run_ms(1)
        assert not end.ok
        assert "normal mode" in end.message
