"""Behind a boot loader that clears the reset flags: power-on records at once, a reset listens for the desk first."""

from __future__ import annotations

import random
from pathlib import Path

import boot_loaders
from card_image import JournalImage, make_journal
from offtake.bench.board import Bench
from offtake.bench.cards import Card
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.figures import Reset
from offtake.bench.line import steady
from offtake.firmware_build import build
from offtake.link.desk import open_desk

HZ = 16_000_000


def test_after_power_on_nothing_of_the_line_is_missed(tmp_path: Path) -> None:
    """It listened for the desk for 1.5 s once, as if the cleared flags had meant a reset, and the line was not
    heard."""
    journal = make_journal(tmp_path, blocks=512, size_mib=8)
    loader = boot_loaders.fast(tmp_path).loader
    sent = random.Random(5).randbytes(6_000)
    line = steady(sent, baud=57_600, frequency_hz=HZ, start_ms=120)
    image = bytearray(journal.image)
    with Bench(build("atmega328p_16mhz"), boot_loader=loader, image=image, card=Card(seed=1), line=line) as bench:
        assert bench.run_line(then_ms=1_500).ok
    logged = JournalImage(image, journal.first_sector, journal.blocks, journal.path).read()
    assert bytes(logged.data[max(logged.data)]) == sent


def test_a_reset_is_told_from_power_on_and_calls_to_the_desk(tmp_path: Path) -> None:
    journal = make_journal(tmp_path, blocks=512, size_mib=8)
    loader = boot_loaders.fast(tmp_path).loader
    image = bytearray(journal.image)
    with Bench(build("atmega328p_16mhz"), boot_loader=loader, image=image, card=Card(seed=1)) as bench:
        assert bench.run_ms(500).ok
        with DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
            assert desk.describe().journal_blocks == 512
        # Power gone and come back: memory comes up with anything in it.
        bench.reset(Reset.POWER_ON, seed=77)
        sent = random.Random(6).randbytes(3_000)
        bench.add_line(steady(sent, baud=57_600, frequency_hz=HZ, start_ms=bench.ms(bench.cycle) + 120))
        assert bench.run_line(then_ms=1_500).ok
    logged = JournalImage(image, journal.first_sector, journal.blocks, journal.path).read()
    assert bytes(logged.data[max(logged.data)]) == sent
