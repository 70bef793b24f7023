"""The card model against the SD specification, with the test as the bus master and with a small firmware.

Facts of the SD Physical Layer Simplified Specification 4.10 are named as check_values does; what is from
memory says so.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.bus import CardBus, crc7_byte
from offtake.bench.cards import (
    AWKWARD,
    Card,
    constant,
    heavy_tailed,
    scripted,
    stalling,
    uniform,
)
from offtake.bench.cuts import Cut, Damage
from offtake.bench.figures import ACCEPTED, Reset, Status

Builder = Callable[..., Path]
SECTOR = 512
SECTORS = 64


def _image(sectors: int = SECTORS) -> bytearray:
    return bytearray(b"".join(bytes([n % 256]) * SECTOR for n in range(sectors)))


def _ready(card: Card, image: bytearray | None = None) -> CardBus:
    bus = CardBus(image if image is not None else _image(), card)
    bus.wait_ms(card.power_up_ms)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    while bus.command(0) != 1:
        bus.wait_ms(1)
    if card.version == 2:
        assert bus.command(8, 0x1AA) == 1
        assert bus.exchange(b"\xff" * 4) == bytes([0, 0, 1, 0xAA])
    while True:
        bus.command(55)
        if bus.command(41, 1 << 30) == 0:
            return bus
        bus.wait_ms(5)


def _crc16(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
        crc &= 0xFFFF
    return crc


def _send(bus: CardBus, token: int, data: bytes, crc: int | None = None) -> int:
    check = _crc16(data) if crc is None else crc
    bus.exchange(bytes([token]) + data + check.to_bytes(2, "big"))
    return bus.exchange(b"\xff")[0] & 0x1F


def _receive(bus: CardBus, size: int = SECTOR) -> tuple[int, bytes, bool]:
    for _ in range(5_000):
        token = bus.exchange(b"\xff")[0]
        if token != 0xFF:
            break
    if token != 0xFE:
        return token, b"", False
    data = bus.exchange(b"\xff" * size)
    return token, data, int.from_bytes(bus.exchange(b"\xff\xff"), "big") == _crc16(data)


def _while_busy(bus: CardBus, limit: int = 100_000) -> float:
    began = bus.bench.cycle
    for _ in range(limit):
        if bus.exchange(b"\xff") == b"\xff":
            return bus.bench.ms(bus.bench.cycle - began)
    raise AssertionError("busy for ever")


# ---- checksums and starting up ----


@pytest.mark.parametrize(
    ("frame", "last"),
    [
        # CMD0 / CMD8(1AA) / CMD17(0) / CMD55(0) / CMD58(0) last byte, ACMD41 with HCS: computed.
        ("40 00 00 00 00", 0x95),
        ("48 00 00 01 AA", 0x87),
        ("51 00 00 00 00", 0x55),
        ("77 00 00 00 00", 0x65),
        ("7A 00 00 00 00", 0xFD),
        ("69 40 00 00 00", 0x77),
    ],
)
def test_command_checksums(frame: str, last: int) -> None:
    assert crc7_byte(bytes.fromhex(frame)) == last


def test_data_checksum_of_ff_is_published() -> None:
    # CRC-16 (XMODEM) of 512 x FF = 7FA1: computed, and read in SD Physical Layer Simplified Specification
    # 4.10, p. 63.
    bus = _ready(Card(), bytearray(b"\xff" * SECTOR * 2))
    assert bus.command(17, 1) == 0
    assert bus.exchange(b"\xff" * 900).lstrip(b"\xff")[:1] == b"\xfe"
    bus = _ready(Card(read_latency_ms=0), bytearray(b"\xff" * SECTOR * 2))
    bus.command(17, 1)
    assert bus.exchange(b"\xff" * 515).endswith(bytes.fromhex("7FA1"))


def test_cmd8_with_a_wrong_crc_answers_09h() -> None:
    # read, table 7-5
    bus = CardBus(_image())
    bus.wait_ms(2)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    assert bus.command(0) == 1
    assert bus.command(8, 0x1AA, crc=0x89) == 0x09


def test_cmd0_wants_74_clocks_first_and_a_sound_crc() -> None:
    bus = CardBus(_image())
    bus.wait_ms(2)
    bus.exchange(b"\xff" * 9)   # 72 clocks
    bus.select(True)
    assert bus.command(0) == 0xFF
    assert bus.bench.card_counts.early_cmd0 == 1
    bus.select(False)
    bus.exchange(b"\xff")
    bus.select(True)
    assert bus.command(0, crc=0x00) == 0xFF, "still in SD mode: a wrong CRC gets no answer"
    assert bus.command(0) == 1


def test_nothing_is_heard_before_power_is_up() -> None:
    bus = CardBus(_image(), Card(power_up_ms=50.0))
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    assert bus.command(0) == 0xFF
    bus.wait_ms(50)
    assert bus.command(0) == 1


def test_acmd41_takes_its_time_and_wants_hcs() -> None:
    bus = CardBus(_image(), Card(acmd41_ms=300.0))
    bus.wait_ms(2)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    bus.command(0)
    assert bus.command(17, 0) == 0x05, "illegal while idle"
    began = bus.bench.cycle
    while True:
        bus.command(55)
        if bus.command(41, 1 << 30) == 0:
            break
    assert bus.bench.ms(bus.bench.cycle - began) == pytest.approx(300, abs=5)
    bus.command(0)
    for _ in range(5):
        bus.wait_ms(400)
        bus.command(55)
        assert bus.command(41, 0) == 1, "a high-capacity card never gets ready without HCS"


@pytest.mark.parametrize(("high", "ccs"), [(True, 0xC0), (False, 0x80)])
def test_cmd58_tells_how_to_address(high: bool, ccs: int) -> None:
    # CMD58 CCS 1 = block addressing: read
    bus = _ready(Card(high_capacity=high))
    assert bus.command(58) == 0
    assert bus.exchange(b"\xff" * 4)[0] & 0xC0 == ccs
    one = 1 if high else SECTOR
    assert bus.command(17, 3 * one) == 0
    assert _receive(bus) == (0xFE, bytes([3]) * SECTOR, True)
    if not high:
        assert bus.command(17, 3) & 0x20, "address error"
    assert bus.command(17, SECTORS * one) & 0x40, "out of range"


@pytest.mark.parametrize("high", [True, False])
def test_csd_tells_the_size(high: bool) -> None:
    # CSD fields at their published bit positions: from memory.
    bus = _ready(Card(high_capacity=high), _image(2_048))
    assert bus.command(9) == 0
    token, csd, crc_ok = _receive(bus, 16)
    assert (token, crc_ok) == (0xFE, True)
    bits = int.from_bytes(csd, "big")
    if high:
        assert (((bits >> 48) & 0x3FFFFF) + 1) * 1_024 == 2_048
    else:
        assert (((bits >> 62) & 0xFFF) + 1) << (((bits >> 47) & 7) + 2) == 2_048
    assert csd[15] == crc7_byte(csd[:15])


def test_illegal_commands_and_registers() -> None:
    bus = _ready(Card())
    assert bus.command(5) == 0x04
    assert bus.command(13) == 0
    assert bus.exchange(b"\xff") == b"\0"
    assert bus.command(16, 512) == 0
    assert bus.command(10) == 0
    assert _receive(bus, 16)[2]
    assert bus.command(55) == 0
    assert bus.command(23, 100) == 0
    assert bus.bench.card_counts.illegal == 1
    assert bus.bench.card_counts.crc7_wrong == 0
    assert bus.command(13, crc=1) == 0
    bus.exchange(b"\xff")
    assert bus.bench.card_counts.crc7_wrong == 1, "counted although the card does not check"
    assert bus.command(59, 1) == 0
    assert bus.command(13, crc=1) == 0x08


# ---- awkward manners ----


def test_garbage_and_a_lost_cmd0() -> None:
    bus = CardBus(_image(), Card(garbage_bytes=4, cmd0_ignored=2))
    bus.wait_ms(2)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    assert [bus.command(0), bus.command(0)] == [0xFF, 0xFF]
    bus.exchange(b"\xff\x40\0\0\0\0\x95")
    answer = bus.exchange(b"\xff" * 8)
    assert all(b & 0x80 for b in answer[:4])
    assert answer.strip(b"\xff")[-1:] == b"\x01"
    assert set(answer[:4]) != {0xFF}


def test_miso_low_until_initialised_and_floating() -> None:
    bus = CardBus(_image(), Card(miso_low_before_init=True))
    bus.wait_ms(2)
    assert bus.exchange(b"\xff" * 10) == bytes(10)
    bus.select(True)
    assert bus.exchange(b"\xff" * 20) == bytes(20), "waiting for 'not busy' here would hang"
    bus.exchange(b"\x40\0\0\0\0\x95\xff")
    assert bus.exchange(b"\xff") == b"\x01"
    bus = CardBus(_image(), Card(miso_floats=True))
    bus.wait_ms(2)
    assert len(set(bus.exchange(b"\xff" * 50))) > 10
    bus.bench.remove_card()
    assert len(set(bus.exchange(b"\xff" * 50))) > 10


# ---- reading and writing ----


def test_single_write_reaches_the_medium_when_busy_ends() -> None:
    image = _image()
    bus = _ready(Card(busy=constant(5.0)), image)
    data = bytes(range(256)) * 2
    assert bus.command(24, 7) == 0
    assert _send(bus, 0xFE, data) == 0x05
    assert image[7 * SECTOR : 8 * SECTOR] == bytes([7]) * SECTOR
    assert bus.bench.card_counts.in_flight == 1
    assert _while_busy(bus) == pytest.approx(5.0, abs=0.1)
    assert image[7 * SECTOR : 8 * SECTOR] == data
    write = bus.bench.writes[0]
    assert (write["lba"], write["response"], write["single"], write["ordinal"]) == (7, ACCEPTED, 1, 0)
    assert bus.bench.ms(int(write["durable"] - write["accepted"])) == pytest.approx(5.0, abs=0.001)


def test_stream_of_blocks_and_stop() -> None:
    image = _image()
    bus = _ready(Card(busy=scripted(1.0, 2.0, 3.0), stop_busy_ms=4.0), image)
    assert bus.command(25, 10) == 0
    busy = []
    for n in range(3):
        assert _send(bus, 0xFC, bytes([0xA0 + n]) * SECTOR) == 0x05
        busy.append(_while_busy(bus))
    bus.exchange(b"\xfd\xff")
    assert busy == pytest.approx([1.0, 2.0, 3.0], abs=0.1)
    assert _while_busy(bus) == pytest.approx(4.0, abs=0.1)
    assert [image[(10 + n) * SECTOR] for n in range(4)] == [0xA0, 0xA1, 0xA2, 13]
    assert bus.command(13) == 0


def test_busy_shows_whenever_selected() -> None:
    bus = _ready(Card(busy=constant(20.0)))
    bus.command(24, 1)
    _send(bus, 0xFE, bytes(SECTOR))
    assert bus.exchange(b"\xff") == b"\0"
    bus.select(False)
    assert bus.exchange(b"\xff") == b"\xff", "released while deselected"
    bus.select(True)
    assert bus.exchange(b"\xff") == b"\0"
    heard = bus.bench.card_counts.commands
    assert bus.command(13) == 0, "busy reads as 00, which a careless host takes for an answer"
    assert bus.bench.card_counts.commands == heard
    assert bus.bench.card_counts.busy_violations > 0
    bus.wait_ms(20)
    assert bus.command(13) == 0


def test_stream_of_reads_and_stop() -> None:
    bus = _ready(Card(read_latency_ms=1.0))
    assert bus.command(18, 5) == 0
    for n in range(4):
        assert _receive(bus) == (0xFE, bytes([5 + n]) * SECTOR, True)
    assert bus.command(12) in {0x7F, 0}, "a stuff byte may come first"
    bus.exchange(b"\xff" * 8)
    assert bus.exchange(b"\xff" * 100) == b"\xff" * 100
    assert bus.command(13) == 0


def test_scripted_failures() -> None:
    image = _image()
    before = bytes(image)
    bus = _ready(Card(write_errors=(0,), crc_errors=(1,), read_errors=(0,), read_crc_errors=(1,)), image)
    answers = []
    for _ in range(2):
        bus.command(24, 2)
        answers.append(_send(bus, 0xFE, bytes(SECTOR)))
    # data response xxx0sss1: 010 accepted, 101 CRC error, 110 write error: read, 7.3.3.1
    assert answers == [0x0D, 0x0B]
    assert bytes(image) == before
    bus.command(17, 2)
    token, _, _ = _receive(bus)
    assert token & 0xF0 == 0
    bus.command(17, 2)
    assert _receive(bus) == (0xFE, bytes([2]) * SECTOR, False)
    bus.command(17, 2)
    assert _receive(bus)[2]
    assert bus.bench.card_counts.blocks_refused == 2


def test_data_crc_is_checked_once_it_is_on() -> None:
    bus = _ready(Card())
    bus.command(24, 1)
    assert _send(bus, 0xFE, bytes(SECTOR), crc=0x1234) == 0x05
    _while_busy(bus)
    assert bus.command(59, 1) == 0
    bus.command(24, 1)
    assert _send(bus, 0xFE, bytes(SECTOR), crc=0x1234) == 0x0B
    bus.command(24, 1)
    assert _send(bus, 0xFE, bytes(SECTOR)) == 0x05


def test_stream_past_the_end_is_a_write_error() -> None:
    bus = _ready(Card())
    assert bus.command(25, SECTORS - 1) == 0
    assert _send(bus, 0xFC, bytes(SECTOR)) == 0x05
    _while_busy(bus)
    assert _send(bus, 0xFC, bytes(SECTOR)) == 0x0D


def test_transfer_goes_on_after_a_deselect_and_swallows_the_first_cmd0() -> None:
    bus = _ready(Card(keeps_transfer=True))
    bus.command(24, 1)
    bus.exchange(b"\xfe" + bytes(500))
    bus.select(False)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    heard = bus.bench.card_counts.cmd0_count
    bus.command(0)
    assert bus.bench.card_counts.cmd0_count == heard, "taken for data"
    bus.wait_ms(10)
    assert bus.command(0) == 1
    bus = _ready(Card(keeps_transfer=False))
    bus.command(24, 1)
    bus.exchange(b"\xfe" + bytes(500))
    bus.select(False)
    bus.select(True)
    assert bus.command(0) == 1
    assert bus.bench.card_counts.deselected_mid_block == 1


def test_pulled_out_and_put_back() -> None:
    image = _image()
    bus = _ready(Card(busy=constant(5.0)), image)
    bus.command(24, 3)
    _send(bus, 0xFE, b"n" * SECTOR)
    report = bus.bench.remove_card(Cut(Damage.TORN, torn_at=100))
    assert report.in_flight == 3
    assert image[3 * SECTOR : 4 * SECTOR] == b"n" * 100 + bytes([3]) * 412
    assert bus.exchange(b"\xff" * 4) == b"\xff" * 4
    assert bus.command(13) == 0xFF
    bus.bench.insert_card(image, Card())
    bus.wait_ms(5)
    assert bus.command(13) == 0xFF, "uninitialised"
    bus.select(False)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    assert bus.command(0) == 1


def test_busy_times_are_seeded_and_as_described() -> None:
    card = Card(busy=stalling(uniform(1, 2), stall_ms=250, every=100), seed=4)
    cycles = card.busy_cycles(16_000_000)
    assert np.array_equal(cycles, card.busy_cycles(16_000_000))
    assert not np.array_equal(cycles, replace(card, seed=5).busy_cycles(16_000_000))
    assert (cycles == 250 * 16_000).sum() == len(cycles) // 100
    tail = Card(busy=heavy_tailed(2.0, worst_ms=100.0)).busy_cycles(16_000_000) / 16_000
    assert tail.max() <= 100.0
    assert np.median(tail) < 4.0
    assert (tail > 20).any()


# ---- the firmware's way through the chip's SPI ----


@pytest.mark.parametrize("stream", [0, 1])
@pytest.mark.parametrize("crc", [0, 1])
@pytest.mark.parametrize(
    "card",
    [
        Card(),
        AWKWARD,
        Card(high_capacity=False),
        Card(high_capacity=False, version=1),
        Card(miso_floats=True),
    ],
    ids=["plain", "awkward", "sdsc", "version1", "floating"],
)
def test_a_small_firmware_writes_and_reads(avr_program: Builder, stream: int, crc: int, card: Card) -> None:
    image = _image()
    program = avr_program("card_writer", STREAM=stream, CRC_ON=crc, BLOCKS=12, FIRST=8)
    with Bench(program, image=image, card=card) as bench:
        assert bench.run_ms(3_000).status is Status.ASLEEP_FOR_EVER
        assert bench.symbol_int("step") == 0xFF
        counts = bench.card_counts
        assert counts.blocks_written == 12
        assert counts.max_init_hz == 250_000, "init clock 100 to 400 kHz: memory"
        assert counts.max_hz == 8_000_000
        assert (counts.crc7_wrong, counts.busy_violations, counts.unclocked) == (0, 0, 0)
        assert counts.crc_on == crc
        assert bench.symbol("read_back") == bytes(range(16))
    for n in range(12):
        assert image[(8 + n) * SECTOR : (9 + n) * SECTOR] == bytes((n + i) % 256 for i in range(SECTOR))
    assert image[: 8 * SECTOR] == _image()[: 8 * SECTOR]
    assert image[20 * SECTOR :] == _image()[20 * SECTOR :]


def test_profiling_changes_nothing(avr_program: Builder) -> None:
    program = avr_program("card_writer", STREAM=1, CRC_ON=0, BLOCKS=12, FIRST=8)
    runs = []
    for profile in (False, True):
        image = _image()
        with Bench(program, image=image, card=AWKWARD, profile=profile) as bench:
            bench.run_ms(3_000)
            runs.append((bench.cycle, bench.writes.tobytes(), bench.commands.tobytes(), bytes(image)))
    assert runs[0] == runs[1]


def test_reset_of_the_chip_alone_leaves_the_card_as_it_was(avr_program: Builder) -> None:
    image = _image()
    program = avr_program("card_writer", STREAM=1, CRC_ON=1, BLOCKS=12, FIRST=8)
    with Bench(program, image=image, card=Card(cmd0_ignored=0), board=Board(startup_ms=1)) as bench:
        bench.run_until_blocks(5, limit_ms=3_000)
        bench.run_ms(6)
        while not bench.card_counts.receiving:
            bench.run_ms(0.1)
        bench.reset(Reset.EXTERNAL)
        bench.run_ms(0.5)
        assert bench.card_counts.receiving == 1, "half a block, and the card waits for the rest"
        assert bench.run_ms(3_000).status is Status.ASLEEP_FOR_EVER
        assert bench.symbol_int("step") == 0xFF
        assert bench.symbol_int("cmd0_tries") > 1
        assert bench.card_counts.deselected_mid_block >= 1
        assert bench.card_counts.blocks_refused == 1, "the half block, by its CRC"
