"""Self-programming against silicon: the chip measures itself (fixtures/selfprogram.c, linked into the boot section).

Found in libsimavr 1.6, and put right by the bench: a page is erased and written at once (silicon: 3.7 to 4.5 ms
each); the section below 0x7000 can be read meanwhile (silicon: not before RWWSRE, and RWWSB says so); a page above
does not halt the CPU; a write replaces what is there (silicon: it only clears bits); words of the buffer that were
not filled are written as 00FF (silicon: FFFF); the command's bits stay in SPMCSR; SPM works from anywhere (silicon:
from the boot section alone); SPM comes too late after three cycles (silicon: four); a write to the EEPROM under way
does not block it. Found right: a word of the buffer takes one value, RWWSRE empties the buffer.

Neither the emulator nor the bench has: the SPM interrupt, vectors in the boot section (IVSEL), lock bits, and LPM of
lock bits, fuses and signature. What a busy section reads as is not in the datasheet; FF is common experience.
All facts are the datasheet's (chapter "Self-Programming the Flash", "Boot Loader Support"), from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.boot import load_boot_loader
from offtake.bench.cuts import Cut
from offtake.bench.figures import Reset
from offtake.bench.firmware import Firmware
from offtake.errors import DamageError, InputOutputError
from offtake.flash.hexfile import TEXT_MOST, read_hex

Builder = Callable[..., Path]
HZ = 16_000_000
PAGE = 0x1000
PAGE_BYTES = 128
BOOT = 0x7800
BUSY, RWW_BUSY = 0x01, 0x40
STEP_MS = (3.7, 4.5)
"""Shortest and longest time of a page's erasure and of its write (memory)."""


def _run_to_the_last_erasure(bench: Bench) -> None:
    bench.run_ms(70)   # before, RAM is noise
    while not bench.symbol_int("done"):
        assert bench.run_ms(1.0).ok
    assert bench.pages.busy_page == PAGE


@pytest.fixture(scope="module")
def chip(avr_program: Builder) -> Iterator[Bench]:
    with Bench(avr_program("selfprogram", start=BOOT), board=Board(reset_pc=BOOT)) as bench:
        bench.run_ms(400)
        assert bench.symbol_int("after_end") == 1
        yield bench


def _ms_of_ticks(ticks: int) -> float:
    return ticks * 8 * 1_000 / HZ


@pytest.mark.parametrize("name", ["erase_cycles", "write_cycles"])
def test_a_page_takes_its_time(chip: Bench, name: str) -> None:
    assert STEP_MS[0] <= _ms_of_ticks(chip.symbol_int(name)) <= STEP_MS[1] + 0.01


def test_the_lower_section_cannot_be_read_until_it_is_enabled(chip: Bench) -> None:
    assert chip.symbol_int("status_busy") & (BUSY | RWW_BUSY) == BUSY | RWW_BUSY
    assert chip.symbol_int("status_after") == RWW_BUSY
    assert chip.symbol_int("status_enabled") == 0
    read = [chip.symbol_int(name) for name in ("read_busy", "read_after", "read_enabled")]
    assert read == [0xFF, 0xFF, 0x5A]


def test_a_page_of_the_upper_section_halts_the_chip(chip: Bench) -> None:
    assert STEP_MS[0] <= _ms_of_ticks(chip.symbol_int("halt_cycles")) <= STEP_MS[1] + 0.01


def test_spm_has_four_cycles(chip: Bench) -> None:
    assert chip.symbol("window") == bytes([1, 1, 1, 1, 0, 0, 0, 0])


def test_the_buffer_and_the_write(chip: Bench) -> None:
    assert chip.symbol_int("first_word") == 0x1111, "a word takes one value until the buffer is emptied"
    assert chip.symbol_int("unfilled") == 0xFFFF
    assert chip.symbol_int("anded") == 0xF0F0 & 0x3C3C, "a write only clears bits"
    assert chip.symbol_int("second_write") == 0x1111
    assert chip.symbol_int("forgotten") == 0xFFFF, "RWWSRE empties the buffer"


def test_an_eeprom_write_blocks_it(chip: Bench) -> None:
    assert chip.symbol_int("blocked_by_eeprom") == 0x5A


def test_only_the_boot_section_may(avr_program: Builder) -> None:
    with Bench(avr_program("selfprogram")) as bench:
        bench.run_ms(200)
        assert bench.symbol_int("after_end") == 1
        assert (bench.pages.erased, bench.pages.written) == (0, 0)
        assert bench.pages.ignored > 20


def test_steps_are_counted_and_logged(chip: Bench) -> None:
    assert chip.pages.boot_touched == 0
    assert len(chip.page_events) == chip.pages.erased + chip.pages.written
    assert set(chip.page_events["value"].tolist()) == {PAGE, PAGE + PAGE_BYTES, 0x7000}


def test_a_reset_lets_the_step_end(avr_program: Builder) -> None:
    with Bench(avr_program("selfprogram", start=BOOT), board=Board(reset_pc=BOOT)) as bench:
        _run_to_the_last_erasure(bench)
        bench.reset(Reset.EXTERNAL)
        assert bench.pages.busy_page == -1
        assert bench.flash[PAGE : PAGE + PAGE_BYTES] == b"\xff" * PAGE_BYTES


def _cut(avr_program: Builder, share: float, seed: int) -> tuple[bytes, bytes]:
    """The page before and after a power cut when ``share`` of its erasure's time has passed."""
    with Bench(avr_program("selfprogram", start=BOOT), board=Board(reset_pc=BOOT)) as bench:
        _run_to_the_last_erasure(bench)
        before = bench.flash
        began = bench.page_events["cycle"][-1]
        bench.run_until(began + share * (bench.pages.busy_done - began))
        after = bench.cut(Cut(seed=seed)).flash
    assert before[:PAGE] + before[PAGE + PAGE_BYTES :] == after[:PAGE] + after[PAGE + PAGE_BYTES :]
    return before[PAGE : PAGE + PAGE_BYTES], after[PAGE : PAGE + PAGE_BYTES]


def test_a_power_cut_leaves_the_page_torn(avr_program: Builder) -> None:
    shares = {}
    for share in (0.3, 0.7):
        before, after = (np.unpackbits(np.frombuffer(p, np.uint8)) for p in _cut(avr_program, share, seed=5))
        assert np.all(after >= before), "an erasure only sets bits"
        shares[share] = np.mean(after[before == 0])
    assert shares[0.3] < shares[0.7], shares
    assert shares[0.3] > 0.0
    assert shares[0.7] < 1.0
    assert _cut(avr_program, 0.3, seed=5) == _cut(avr_program, 0.3, seed=5)


def test_power_that_comes_back_at_once_is_a_cut_too(avr_program: Builder) -> None:
    with Bench(avr_program("selfprogram", start=BOOT), board=Board(reset_pc=BOOT)) as bench:
        _run_to_the_last_erasure(bench)
        began = bench.page_events["cycle"][-1]
        bench.run_until((began + bench.pages.busy_done) / 2)
        bench.reset(Reset.POWER_ON)
        assert bench.flash[PAGE : PAGE + PAGE_BYTES] != b"\xff" * PAGE_BYTES


# ---- boot loaders ----


def _hex(start: int, data: bytes) -> str:
    """Intel HEX text of a few bytes (record layout: memory)."""
    record = bytes([len(data), start >> 8, start & 0xFF, 0]) + data
    return f":{record.hex()}{-sum(record) & 0xFF:02x}\n:00000001FF\n".upper()


@pytest.mark.parametrize("size", [512, 1_024, 2_048, 4_096])
def test_a_boot_loader_takes_its_section(tmp_path: Path, size: int) -> None:
    path = tmp_path / "loader.hex"
    path.write_text(_hex(0x8000 - size, b"\xff\xcf"))   # rjmp to itself
    loader = load_boot_loader(path)
    assert loader.start == 0x8000 - size
    assert loader.image == b"\xff\xcf".ljust(size, b"\xff")
    with Bench(Firmware(b"\x12\x34"), boot_loader=path) as bench:
        bench.run_ms(100)
        assert bench.flash == b"\x12\x34".ljust(0x8000 - size, b"\xff") + loader.image


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (_hex(0x7000, b"\x00\x00")[:-20], "not an Intel HEX file"),
        (_hex(0x7000, b"\x01\x02").replace("0102", "0103"), "line 1"),
        (_hex(0x7001, b"\x00\x00"), "begins at 0x7e00"),
        (_hex(0x7FFF, b"\x00\x00"), "bytes from 0x7fff to 0x8000"),
        (":00000001FF\n", "no bytes in it"),
        ("caf\u00e9\n", "plain text"),
    ],
)
def test_a_bad_hex_file_is_refused(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "bad.hex"
    path.write_text(text)
    with pytest.raises(DamageError, match=says):
        load_boot_loader(path)


def test_a_hex_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputOutputError, match="cannot read"):
        read_hex(tmp_path / "none.hex")


def test_a_hex_file_far_longer_than_the_chip_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "long.hex"
    path.write_text("\n" * (TEXT_MOST + 1))
    with pytest.raises(DamageError, match="over 1,048,576 characters"):
        read_hex(path)
