"""The chip's other parts against silicon: SPI, timers, converter, EEPROM, resets, watchdog, interrupts.

Found in libsimavr 1.6, and put right by the bench: entering an interrupt takes no time (silicon: 4 cycles,
8 out of sleep); two instructions run after SEI or RETI before a waiting interrupt (silicon: one); a flag
raised while its enable bit is off never interrupts; the receive interrupt does not stand while the FIFO
holds bytes; SPI knows no write collision; an EEPROM write is over at once (silicon: 3.4 ms); the watchdog
does not bite; a reset leaves MCUSR empty; UCSR0C starts as 0. Found right: SPI and converter rates, timer
2, timer 1 with its overflow flag.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from offtake.bench import native
from offtake.bench.board import Bench, Board
from offtake.bench.cuts import Cut
from offtake.bench.figures import Reset, Status
from offtake.bench.firmware import Firmware, load_elf
from offtake.bench.line import steady
from offtake.errors import DamageError, InputOutputError, UsageError

HZ = 16_000_000
Builder = Callable[..., Path]


def _array(bench: Bench, name: str, kind: str) -> list[int]:
    return [int(v) for v in np.frombuffer(bench.symbol(name), dtype=kind)]


@pytest.fixture
def timing(avr_program: Builder) -> Iterator[Bench]:
    with Bench(avr_program("timing"), board=Board(vcc_mv=5_000)) as bench:
        end = bench.run_ms(1_000)
        assert end.status is Status.ASLEEP_FOR_EVER, "sleeping with interrupts off ends a run"
        assert bench.symbol_int("done") == 1
        yield bench


def test_spi_takes_eight_clocks(timing: Bench) -> None:
    # Polling adds the same few cycles at every divider, up to the loop's five.
    cycles = _array(timing, "spi_cycles", "<u2")
    overhead = [c - 8 * d for c, d in zip(cycles, (2, 4, 8, 16, 32, 64, 128), strict=True)]
    assert max(overhead) - min(overhead) <= 5
    assert 4 <= min(overhead) <= 14


def test_spi_write_collision(timing: Bench) -> None:
    # At half the clock a transfer is over 17 cycles after the store: one earlier collides (from memory).
    assert timing.symbol("collision_gap") == bytes([1 << 6, 0])


def test_converter_takes_25_then_13_clocks(timing: Bench) -> None:
    # From the store to ADSC it waits for the converter's clock, for half a clock just after ADEN and for a whole one
    # when the one before has just ended; tests/bench/test_calibration_sensors.py has more.
    first, second = timing.symbol_int("adc_first_cycles"), timing.symbol_int("adc_cycles")
    assert 25.4 * 128 <= first <= 25.5 * 128 + 40
    assert 13.8 * 128 <= second <= 14 * 128 + 40


@pytest.mark.parametrize(("vcc", "bandgap"), [(5_000, 1_100), (3_300, 1_100), (4_700, 1_060), (2_700, 1_200)])
def test_bandgap_against_supply(avr_program: Builder, vcc: int, bandgap: int) -> None:
    # libsimavr scales by 1,023 where silicon has 1,024: one count at most.
    with Bench(avr_program("timing"), board=Board(vcc_mv=vcc, bandgap_mv=bandgap)) as bench:
        bench.run_ms(100)
        assert bench.symbol_int("adc_value") == pytest.approx(bandgap * 1_024 / vcc, abs=1.5)


def test_eeprom_write_takes_its_time(timing: Bench) -> None:
    # 3.4 ms: ATmega328P datasheet, "EEPROM programming time" (from memory); counted in steps of 64 cycles.
    assert timing.symbol_int("eeprom_cycles") == pytest.approx(3.4e-3 * HZ, abs=128)
    assert timing.eeprom[5] == 0xA5


def test_eeprom_is_kept_and_a_cut_spoils_the_cell_being_written(avr_program: Builder) -> None:
    program = avr_program("causes")
    with Bench(program) as bench:
        bench.run_ms(100)
        kept = bench.eeprom
        assert kept[:2] == bytes([0, 1]), "one start counted from 0xFF, cause power-on"
    with Bench(program, eeprom=kept) as bench:
        bench.run_ms(66)   # in the middle of the first write
        seeds = {}
        for seed in (1, 2, 3):
            with Bench(program, eeprom=kept) as other:
                other.run_ms(66)
                seeds[seed] = other.cut(Cut(seed=seed)).eeprom
    assert all(e[1:] == kept[1:] for e in seeds.values())
    assert len({e[0] for e in seeds.values()}) > 1


def test_timer2_counts(timing: Bench) -> None:
    assert timing.symbol_int("timer2_ticks") == 100
    assert timing.symbol_int("timer2_overflows") == 256


def test_timer1_overflow_flag_agrees_with_its_count(timing: Bench) -> None:
    assert timing.symbol_int("timer1_overflow_early") == 0


def test_interrupts_are_levels(avr_program: Builder) -> None:
    line = steady(b"A", baud=115_200, frequency_hz=HZ, start_ms=80)
    with Bench(avr_program("irq_levels"), line=line) as bench:
        bench.run_ms(200)
        assert bench.symbol_int("done") == 1
        assert bench.symbol_int("late_overflow") == 1, "a flag that waited for its enable bit interrupts"
        assert bench.symbol_int("rx_entries") == 4, "the handler comes again until the byte is taken"
        assert list(bench.symbol("steps")) == [1, 2, 3, 4], "one instruction after SEI, one after each RETI"


def test_interrupt_entry_takes_time(avr_program: Builder) -> None:
    # Four cycles, then three for the jump in the vector table; four more out of sleep (ATmega328P datasheet,
    # "Interrupt Response Time"; from memory). Up to three cycles more are the flag's own delay and the reading.
    with Bench(avr_program("entry_latency")) as bench:
        bench.run_ms(100)
        assert bench.symbol_int("done") == 1
        awake, asleep = bench.symbol_int("awake"), bench.symbol_int("asleep")
    assert 7 <= awake <= 10
    assert asleep - awake == 4


@pytest.mark.parametrize("cause", [Reset.EXTERNAL, Reset.BROWN_OUT, Reset.WATCHDOG, Reset.POWER_ON])
def test_reset_causes(avr_program: Builder, cause: Reset) -> None:
    with Bench(avr_program("causes"), eeprom=bytes(1024)) as bench:
        bench.run_ms(200)
        assert bench.symbol_int("cause") == Reset.POWER_ON
        bench.reset(cause)
        before = bench.cycle
        bench.run_ms(64.9)
        assert bench.read_data(0x54, 1)[0] == cause, "still in its start-up time"
        bench.run_ms(135.1)
        assert bench.symbol_int("cause") == cause
        starts = 1 if cause is Reset.POWER_ON else 2
        assert bench.symbol_int("starts") == starts, "RAM outlives a chip's reset"
        assert bench.eeprom[:2] == bytes([2, cause])
        assert bench.cycle - before == pytest.approx(0.2 * HZ, abs=8)


def test_reset_flags_add_up_until_cleared(avr_program: Builder) -> None:
    with Bench(avr_program("causes"), eeprom=bytes(1024)) as bench:
        bench.run_ms(10)   # not one instruction yet: the power-on flag stands
        bench.reset(Reset.EXTERNAL)
        bench.run_ms(200)
        assert bench.symbol_int("cause") == Reset.POWER_ON | Reset.EXTERNAL


def test_watchdog_bites_and_stays_on(avr_program: Builder) -> None:
    orders = bytes([0, 0, 1]) + bytes(1021)
    with Bench(avr_program("causes"), eeprom=orders) as bench:
        bench.run_ms(90)
        assert bench.symbol_int("starts") == 1
        bench.run_ms(310)
        assert bench.symbol_int("starts") == 3
        assert bench.symbol_int("cause") == Reset.WATCHDOG
        assert bench.symbol_int("watchdog_on") == 1 << 3, "WDE is forced on while WDRF stands"


def test_undefined_opcode_ends_the_run(avr_program: Builder) -> None:
    orders = bytes([0, 0, 2]) + bytes(1021)
    with Bench(avr_program("causes"), eeprom=orders) as bench:
        end = bench.run_ms(200)
        assert end.status is Status.CRASHED
        assert not end.ok
        assert "Invalid Opcode" in end.message


def test_random_ram_is_seeded(avr_program: Builder) -> None:
    rams = []
    for seed in (1, 1, 2):
        with Bench(avr_program("causes"), seed=seed) as bench:
            rams.append(bench.read_data(0x100, 0x800))
    assert rams[0] == rams[1] != rams[2]
    assert len(set(rams[0])) > 200


def test_firmware_that_is_none(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match="cannot read"):
        load_elf(tmp_path / "missing.elf")
    (tmp_path / "text.elf").write_text("not a program")
    with pytest.raises(DamageError, match="not an ELF file"):
        load_elf(tmp_path / "text.elf")
    with pytest.raises(DamageError, match="expected an AVR ELF file"):
        load_elf("/proc/self/exe")


def test_misuse_is_told(avr_program: Builder) -> None:
    program = avr_program("causes")
    with pytest.raises(UsageError, match="whole sectors"):
        Bench(program, image=bytearray(700))
    with pytest.raises(UsageError, match="read-only"):
        Bench(program, image=bytes(512))
    with pytest.raises(UsageError, match="bytes of EEPROM"):
        Bench(program, eeprom=b"short")
    with Bench(Firmware(b"\xff\xff")) as bench:
        with pytest.raises(UsageError, match="no symbol"):
            bench.symbol("nothing")
        with pytest.raises(UsageError, match="inside"):
            bench.read_data(0x8FF, 2)
        with pytest.raises(UsageError, match="profile"):
            _ = bench.cost


def test_missing_packages_are_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(native, "cache_folder", lambda: tmp_path)
    monkeypatch.setattr(native, "INCLUDE", tmp_path / "simavr")
    with pytest.raises(InputOutputError, match="libsimavr-dev and libelf-dev"):
        native.library_path()
    assert not list(tmp_path.rglob("*.so"))


def test_a_changed_source_is_built_again(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    before = native.source_hash()
    for path in native.SOURCES.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    monkeypatch.setattr(native, "SOURCES", tmp_path)
    assert native.source_hash() == before
    (tmp_path / "util.c").write_text((tmp_path / "util.c").read_text() + "\n")
    assert native.source_hash() != before
