"""The chip's parts that meet sensors against silicon: timers, capture, pulses, pin changes, converter.

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
from offtake.bench.firmware import Firmware
from offtake.bench.sensors import (
    AnalogueInput,
    EventInput,
    PressurePart,
    PulseInput,
    PulseTrain,
    World,
)
from offtake.errors import UsageError

HZ = 16_000_000
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


@pytest.mark.parametrize(
    ("register", "value", "message"),
    [
        (0x44, 0x03, "normal mode"),   # TCCR0A: fast PWM
        (0x81, 0x08, "normal mode"),   # TCCR1B: CTC
        (0xB1, 0x08, "normal mode"),   # TCCR2B: fast PWM up to OCR2A
        (0x80, 0x40, "without outputs"),   # TCCR1A: toggle OC1A
        (0x6E, 0x02, "compare interrupts"),   # TIMSK0: OCIE0A
        (0xB6, 0x20, "asynchronous"),   # ASSR: AS2
        (0x6D, 0x01, "pin changes"),   # PCMSK2: PD0
        (0x6C, 0x01, "pin changes"),   # PCMSK1: PC0
        (0x7A, 0xE0, "single conversions"),   # ADCSRA: ADATE
    ],
)
def test_what_is_not_modelled_ends_the_run(register: int, value: int, message: str) -> None:
    # LDI R16, value; STS register, R16; RJMP to itself.
    load = 0xE000 | (value & 0xF0) << 4 | value & 0x0F
    code = b"".join(word.to_bytes(2, "little") for word in (load, 0x9300, register, 0xCFFF))
    with Bench(Firmware(code), board=Board(startup_ms=0.0)) as bench:
        end = bench.run_ms(1)
        assert not end.ok
        assert message in end.message
