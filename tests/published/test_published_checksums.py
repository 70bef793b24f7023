"""The checksums in use against the published check values, by independent libraries and by our own code.

Check values "match the tables that PyPI crccheck 1.3.1 ships"; CRC of CMD0 and of 512 x FF: SD Physical Layer
Simplified Specification 4.10.
"""

from __future__ import annotations

import zlib

import crcmod  # type: ignore[import-untyped]
import crcmod.predefined  # type: ignore[import-untyped]
import pytest
from crccheck.crc import (  # type: ignore[import-untyped]
    Crc7Mmc,
    Crc16Ibm3740,
    Crc16Xmodem,
    Crc32IsoHdlc,
)
from offtake.journal.codec import frame_seed, seal

CHECK_STRING = b"123456789"


def test_crc32_iso_hdlc() -> None:
    # CRC-32/ISO-HDLC, zlib's: CBF43926 (crccheck 1.3.1's table).
    assert Crc32IsoHdlc.calc(CHECK_STRING) == 0xCBF43926
    assert zlib.crc32(CHECK_STRING) == 0xCBF43926
    assert crcmod.predefined.mkPredefinedCrcFun("crc-32")(CHECK_STRING) == 0xCBF43926


def test_a_block_is_sealed_with_crc32_iso_hdlc() -> None:
    assert seal(CHECK_STRING) == CHECK_STRING + bytes.fromhex("2639f4cb")


def test_a_frame_check_is_crc32_iso_hdlc_over_id_number_and_frame() -> None:
    # ASCII "12345678" as two little-endian numbers, then "9": together the check string.
    seed = frame_seed(int.from_bytes(b"1234", "little"), int.from_bytes(b"5678", "little"))
    assert zlib.crc32(b"9", seed) == 0xCBF43926


def test_crc16_ibm_3740() -> None:
    # CRC-16/IBM-3740, poly 1021, init FFFF: 29B1 (crccheck 1.3.1's table); crcmod calls it crc-ccitt-false.
    assert Crc16Ibm3740.calc(CHECK_STRING) == 0x29B1
    assert crcmod.predefined.mkPredefinedCrcFun("crc-ccitt-false")(CHECK_STRING) == 0x29B1


def test_crc16_xmodem() -> None:
    # CRC-16/XMODEM, poly 1021, init 0: 31C3 (crccheck 1.3.1's table); 512 x FF: 7FA1 (computed, and read in SD
    # Physical Layer Simplified Specification 4.10, p. 63).
    xmodem = crcmod.predefined.mkPredefinedCrcFun("xmodem")
    assert Crc16Xmodem.calc(CHECK_STRING) == xmodem(CHECK_STRING) == 0x31C3
    assert Crc16Xmodem.calc(b"\xff" * 512) == xmodem(b"\xff" * 512) == 0x7FA1


@pytest.mark.parametrize(
    ("command", "last_byte"),
    [
        # Computed, as listed for SD Physical Layer Simplified Specification 4.10: CMD0, CMD8(1AA), CMD17(0), CMD55(0),
        # CMD58(0), and ACMD41 with HCS.
        ("4000000000", 0x95),
        ("48000001aa", 0x87),
        ("5100000000", 0x55),
        ("7700000000", 0x65),
        ("7a00000000", 0xFD),
        ("6940000000", 0x77),
    ],
)
def test_crc7_mmc_of_card_commands(command: str, last_byte: int) -> None:
    assert Crc7Mmc.calc(bytes.fromhex(command)) << 1 | 1 == last_byte


def test_crc7_mmc() -> None:
    # CRC-7/MMC, poly 09: 75 (crccheck 1.3.1's table).
    assert Crc7Mmc.calc(CHECK_STRING) == 0x75
