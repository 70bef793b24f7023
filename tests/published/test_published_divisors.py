"""The speed registers that the firmware sets, against the datasheet's tables.

UBRR and error: computed, equal to every cell of the 8 and 16 MHz tables in the ATmega48/88/168 datasheet (2545D, same
USART). The firmware takes double speed where that is the closer one.
"""

from __future__ import annotations

from pathlib import Path

import crcmod.predefined  # type: ignore[import-untyped]
import pytest
from offtake.bench.board import Bench, Board
from offtake.firmware_build import build

UCSR0A, UBRR0L, UBRR0H, U2X = 0xC0, 0xC4, 0xC5, 0x02
# baud: (UBRR, error %) at normal and at double speed
TABLE_16_MHZ = {
    9_600: ((103, 0.2), (207, 0.2)),
    19_200: ((51, 0.2), (103, 0.2)),
    38_400: ((25, 0.2), (51, 0.2)),
    57_600: ((16, 2.1), (34, -0.8)),
    115_200: ((8, -3.5), (16, 2.1)),
    230_400: ((3, 8.5), (8, -3.5)),
    250_000: ((3, 0.0), (7, 0.0)),
}
TABLE_8_MHZ = {
    9_600: ((51, 0.2), (103, 0.2)),
    19_200: ((25, 0.2), (51, 0.2)),
    38_400: ((12, 0.2), (25, 0.2)),
    57_600: ((8, -3.5), (16, 2.1)),
    115_200: ((3, 8.5), (8, -3.5)),
    230_400: ((1, 8.5), (3, 8.5)),
    250_000: ((1, 0.0), (3, 0.0)),
}
BOARDS = [("atmega328p_16mhz", 16_000_000, TABLE_16_MHZ), ("atmega328p_8mhz", 8_000_000, TABLE_8_MHZ)]
CASES = [(name, hz, baud, *table[baud]) for name, hz, table in BOARDS for baud in table]


def remembered(baud: int) -> bytes:
    """The EEPROM of a board whose last journal had this speed: baud, gap of 4 bytes, CRC-16."""
    body = baud.to_bytes(4, "little") + b"\x04"
    crc = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")(body)
    return (body + crc.to_bytes(2, "little")).ljust(1024, b"\xff")


@pytest.fixture(scope="module")
def images() -> dict[str, Path]:
    return {name: build(name) for name, _, _ in BOARDS}


@pytest.mark.parametrize(("name", "hz", "baud", "normal", "double"), CASES)
def test_divisor(
    images: dict[str, Path], name: str, hz: int, baud: int, normal: tuple[int, float], double: tuple[int, float]
) -> None:
    with Bench(images[name], board=Board(frequency_hz=hz), eeprom=remembered(baud), seed=1) as bench:
        assert bench.run_ms(90).ok
        ubrr = bench.read_data(UBRR0L, 1)[0] | bench.read_data(UBRR0H, 1)[0] << 8
        doubled = bool(bench.read_data(UCSR0A, 1)[0] & U2X)
    expected = double if doubled else normal
    assert ubrr == expected[0]
    assert abs(expected[1]) == min(abs(normal[1]), abs(double[1]))
    real = hz / ((8 if doubled else 16) * (ubrr + 1))
    assert 100 * (real / baud - 1) == pytest.approx(expected[1], abs=0.06)
