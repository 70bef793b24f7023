"""The real firmware at the desk: pyserial over a pty, as to a real adapter."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from card_image import JOURNAL_ID, JournalImage, header_block, make_journal
from offtake.bench.board import Bench
from offtake.bench.board import Board as BoardConstants
from offtake.bench.cards import Card, uniform
from offtake.bench.desk import Adapter, DeskServer
from offtake.bench.line import steady
from offtake.errors import DamageError, InputOutputError
from offtake.firmware_build import build
from offtake.generated.records import SPEC_HASH, Board, CardState
from offtake.link.desk import open_desk
from offtake.link.pull import pull_from_desk
from offtake.link.runs import list_runs

HZ = 16_000_000


@pytest.fixture(scope="module")
def elf() -> Path:
    return build("atmega328p_16mhz")


@pytest.fixture(scope="module")
def recorded(elf: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[JournalImage, bytes]:
    """A card with two runs on it, and the EEPROM that goes with it."""
    journal = make_journal(tmp_path_factory.mktemp("card"), blocks=512, size_mib=8)
    eeprom = b""
    for run in range(2):
        line = steady(random.Random(run).randbytes(20_000), baud=57_600, frequency_hz=HZ, start_ms=1200)
        card = Card(busy=uniform(1, 20), seed=run)
        with Bench(elf, image=journal.image, card=card, line=line, eeprom=eeprom or None, seed=1) as bench:
            assert bench.run_line(then_ms=1000).ok
            eeprom = bench.eeprom
    return journal, eeprom


def bench_for(elf: Path, recorded: tuple[JournalImage, bytes], image: bytearray | None = None) -> Bench:
    journal, eeprom = recorded
    return Bench(elf, image=image or bytearray(journal.image), eeprom=eeprom, card=Card(seed=4), seed=2)


def test_greet_describe_look_and_list_runs(elf: Path, recorded: tuple[JournalImage, bytes]) -> None:
    with bench_for(elf, recorded) as bench:
        with DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
            desk.greet()
            described = desk.describe()
            assert described.board == Board.ATMEGA328P_16MHZ
            assert described.spec_hash == SPEC_HASH
            assert described.card_state == CardState.READY
            assert (described.journal_id, described.journal_blocks) == (JOURNAL_ID, 512)
            assert described.last_run == 2  # was read one byte too far once: the answer's buffer was a byte short
            assert 4900 <= described.supply_mv <= 5100
            runs = list_runs(desk)
            assert [run.run for run in runs] == [1, 2]
            assert described.next_block == runs[-1].last_block + 1
        assert bench.passive.rx_untouched
        assert len(bench.writes) == 0


def test_pull_at_full_speed_is_the_journal_byte_for_byte(
    elf: Path, recorded: tuple[JournalImage, bytes], tmp_path: Path
) -> None:
    journal, _ = recorded
    target = tmp_path / "day one.jnl"
    with bench_for(elf, recorded) as bench, DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
        result = pull_from_desk(desk, target)
        lost = bench.uart.overrun_lost
    # Requests at 1,000,000 baud once overran the receiver after each timer overflow, until the pull stood still. A byte
    # that comes where a stretch of the ring ends (one in 255) may still be overrun; its request is asked again.
    assert lost <= 5
    data = target.read_bytes()
    start = 512 * journal.first_sector
    assert result.size_bytes == len(data)
    assert data == bytes(journal.image[start : start + len(data)])
    assert len(data) // 512 == journal.read().blocks + 1


def test_a_port_that_vanishes_leaves_a_part_that_the_next_pull_goes_on_from(
    elf: Path, recorded: tuple[JournalImage, bytes], tmp_path: Path
) -> None:
    journal, _ = recorded
    target = tmp_path / "day.jnl"
    adapter = Adapter(vanish_after_bytes=20_000)
    with (
        bench_for(elf, recorded) as bench,
        DeskServer(bench, adapter) as server,
        open_desk(server.port) as desk,
        pytest.raises(InputOutputError),
    ):
        pull_from_desk(desk, target, window_blocks=8)
    assert not target.exists()
    with bench_for(elf, recorded) as bench, DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
        result = pull_from_desk(desk, target)
    assert result.resumed_bytes > 0
    start = 512 * journal.first_sector
    assert target.read_bytes() == bytes(journal.image[start : start + result.size_bytes])


def test_a_noisy_line_still_gives_every_byte(elf: Path, recorded: tuple[JournalImage, bytes], tmp_path: Path) -> None:
    journal, _ = recorded
    target = tmp_path / "day.jnl"
    adapter = Adapter(error_rate=0.0005, seed=3)
    with bench_for(elf, recorded) as bench, DeskServer(bench, adapter) as server, open_desk(server.port) as desk:
        result = pull_from_desk(desk, target)
    assert result.asked_again > 0
    start = 512 * journal.first_sector
    assert target.read_bytes() == bytes(journal.image[start : start + result.size_bytes])


def test_a_new_header_starts_a_new_journal_and_a_wrong_one_is_refused(
    elf: Path, recorded: tuple[JournalImage, bytes]
) -> None:
    journal, _ = recorded
    image = bytearray(journal.image)
    new_id = 0x0BADCAFE
    with bench_for(elf, recorded, image) as bench:
        with DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
            desk.greet()
            wrong = bytearray(header_block(512, journal_id=new_id))
            wrong[100] ^= 1
            with pytest.raises(DamageError):
                desk.write_header(bytes(wrong))
            assert desk.write_header(header_block(512, journal_id=new_id)) == new_id
            described = desk.describe()
            assert (described.journal_id, described.next_block, described.last_run) == (new_id, 1, 0)
        writes = bench.writes
        assert [int(w["lba"]) for w in writes] == [journal.first_sector]
    assert image[512 * (journal.first_sector + 1) :] == journal.image[512 * (journal.first_sector + 1) :]


def test_after_leave_the_logger_records(elf: Path, recorded: tuple[JournalImage, bytes]) -> None:
    journal, _ = recorded
    image = bytearray(journal.image)
    with bench_for(elf, recorded, image) as bench:
        with DeskServer(bench, Adapter()) as server, open_desk(server.port) as desk:
            desk.greet()
            desk.leave()
        assert bench.run_ms(2500).ok
        assert len(bench.writes) >= 1
    runs = JournalImage(image, journal.first_sector, journal.blocks, journal.path).read().codes
    assert max(runs) == 3


def test_the_8_mhz_board_greets_at_its_own_speed_and_is_pulled_at_the_fastest(
    recorded: tuple[JournalImage, bytes], tmp_path: Path
) -> None:
    """115,200 baud is 3.5 % off with this clock (datasheet's table): it did not answer there."""
    journal, eeprom = recorded
    target = tmp_path / "day one.jnl"
    board = BoardConstants(frequency_hz=8_000_000, vcc_mv=3_300)
    image = bytearray(journal.image)
    with (
        Bench(build("atmega328p_8mhz"), board=board, image=image, eeprom=eeprom, card=Card(seed=4), seed=2) as bench,
        DeskServer(bench, Adapter()) as server,
        open_desk(server.port) as desk,
    ):
        assert desk.baud == 38_400
        described = desk.describe()
        assert (described.board, described.spec_hash) == (Board.ATMEGA328P_8MHZ, SPEC_HASH)
        assert 3_200 <= described.supply_mv <= 3_400
        result = pull_from_desk(desk, target)
        assert desk.baud == 1_000_000
    start = 512 * journal.first_sector
    assert target.read_bytes() == bytes(journal.image[start : start + result.size_bytes])
