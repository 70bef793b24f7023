"""The core's own checksum code against published values.

Check values (check string ASCII 123456789): computed; they match the tables that PyPI crccheck 1.3.1 ships.
"""

from __future__ import annotations

import random
import zlib

import crcmod.predefined  # type: ignore[import-untyped]
import pytest
from crccheck.crc import Crc7Mmc, Crc16Ibm3740, Crc16Xmodem, Crc32IsoHdlc  # type: ignore[import-untyped]
from offtake.hostcore import codec

CHECK_STRING = b"123456789"
XMODEM_START, IBM_3740_START = 0x0000, 0xFFFF


def test_crc32_iso_hdlc_check_value() -> None:
    assert codec.crc32(CHECK_STRING) == 0xCBF43926 == Crc32IsoHdlc.calc(CHECK_STRING)


def test_crc16_check_values() -> None:
    assert codec.crc16(CHECK_STRING, IBM_3740_START) == 0x29B1 == Crc16Ibm3740.calc(CHECK_STRING)
    assert codec.crc16(CHECK_STRING, XMODEM_START) == 0x31C3 == Crc16Xmodem.calc(CHECK_STRING)


def test_crc16_of_a_sector_of_ff() -> None:
    # 7FA1: computed, and read in SD Physical Layer Simplified Specification 4.10, p. 63.
    assert codec.crc16(b"\xff" * 512, XMODEM_START) == 0x7FA1


@pytest.mark.parametrize(
    ("command", "last"),
    [("4000000000", 0x95), ("48000001aa", 0x87), ("5100000000", 0x55), ("7700000000", 0x65), ("7a00000000", 0xFD)],
)
def test_crc7_of_card_commands(command: str, last: int) -> None:
    # CMD0, CMD8(1AA), CMD17(0), CMD55(0), CMD58(0): last bytes computed.
    assert codec.crc7_end(bytes.fromhex(command)) == last
    assert last == (Crc7Mmc.calc(bytes.fromhex(command)) << 1) | 1


def test_crc7_of_acmd41_with_hcs() -> None:
    assert codec.crc7_end(bytes.fromhex("6940000000")) == 0x77  # 69 40 00 00 00 77: computed


def test_checks_agree_with_reference_libraries_on_random_bytes() -> None:
    ibm = crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")
    xmodem = crcmod.predefined.mkPredefinedCrcFun("xmodem")
    rng = random.Random(20261125)
    for _ in range(300):
        data = rng.randbytes(rng.randrange(0, 700))
        assert codec.crc32(data) == zlib.crc32(data)
        assert codec.crc16(data, IBM_3740_START) == ibm(data)
        assert codec.crc16(data, XMODEM_START) == xmodem(data)
