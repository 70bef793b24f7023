"""When a data block began: the log of blocks names the cycle at which the card had received its data token."""

from __future__ import annotations

import pytest
from offtake.bench.bus import CardBus
from offtake.bench.cards import Card, constant

DIVIDER = 16
BYTE_CYCLES = 8 * DIVIDER
BLOCK_AND_CRC = 514


def ready() -> CardBus:
    bus = CardBus(bytearray(512 * 16), Card(busy=constant(1.0), power_up_ms=0, acmd41_ms=0), divider=DIVIDER)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    assert bus.command(0) == 1
    assert bus.command(8, 0x1AA) == 1
    bus.exchange(b"\xff" * 4)
    bus.command(55)
    bus.command(41, 1 << 30)
    bus.wait_ms(1)
    bus.command(55)
    assert bus.command(41, 1 << 30) == 0
    return bus


@pytest.mark.parametrize(("command", "token"), [(24, 0xFE), (25, 0xFC)])
def test_a_block_takes_its_bytes_from_token_to_answer(command: int, token: int) -> None:
    bus = ready()
    assert bus.command(command, 3) == 0
    for pause_ms in (0.0, 0.25):
        bus.exchange(bytes([0xFF, token]))
        came = bus.bench.cycle
        bus.exchange(bytes(100))
        bus.wait_ms(pause_ms)
        bus.exchange(bytes(BLOCK_AND_CRC - 100))
        assert bus.exchange(b"\xff")[0] & 0x1F == 5
        write = bus.bench.writes[-1]
        assert write["began"] == came
        assert write["accepted"] - write["began"] == BLOCK_AND_CRC * BYTE_CYCLES + bus.bench.cycles(pause_ms)
        bus.wait_ms(1.5)
        if command == 24:
            break


def test_a_refused_block_has_its_own_beginning() -> None:
    bus = CardBus(bytearray(512 * 16), Card(write_errors=(0,), power_up_ms=0, acmd41_ms=0), divider=DIVIDER)
    bus.exchange(b"\xff" * 10)
    bus.select(True)
    bus.command(0)
    bus.command(8, 0x1AA)
    bus.exchange(b"\xff" * 4)
    bus.command(55)
    bus.command(41, 1 << 30)
    bus.wait_ms(1)
    for _ in range(2):
        assert bus.command(24, 3) == 0
        bus.exchange(b"\xff\xfe" + bytes(BLOCK_AND_CRC) + b"\xff")
        bus.wait_ms(5)
    refused, accepted = bus.bench.writes
    assert (refused["response"], accepted["response"]) == (0x0D, 5)
    assert refused["began"] + BLOCK_AND_CRC * BYTE_CYCLES == refused["accepted"] < accepted["began"]
