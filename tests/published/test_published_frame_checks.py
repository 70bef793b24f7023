"""The checks that dialects frame their messages with, against published values and an independent library.

Frame bodies and checksums of the frames with sync B5 62: "8-bit Fletcher of binary receiver frames (over
class..payload; plain 8-bit wrap, i.e. modulo 256, not the modulo 255 of RFC 1145/1146): computed". Check values of
the CRCs: crccheck 1.3.1's tables.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import reduce

import pytest
from crccheck.crc import (  # type: ignore[import-untyped]
    Crc16Ibm3740,
    Crc16Xmodem,
    Crc24LteA,
    Crc32IsoHdlc,
)
from offtake.dialects.checks import CHECKS
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects

CHECK_STRING = b"123456789"

FRAMES = [
    ("06 08 06 00 C8 00 01 00 01 00", "DE 6A"),
    ("06 01 03 00 F0 05 00", "FF 19"),
    ("0A 04 00 00", "0E 34"),
    ("05 01 02 00 06 01", "0F 38"),
]


@pytest.mark.parametrize(("body", "check"), FRAMES)
def test_published_fletcher_of_frames(body: str, check: str) -> None:
    assert CHECKS["fletcher8"].compute(bytes.fromhex(body)) == int(check.replace(" ", ""), 16)
    decoder = StreamDecoder(chosen_dialects())
    (message,) = decoder.feed(bytes.fromhex(f"B5 62 {body} {check}"))
    assert (message.dialect, message.key, message.state) == ("b562", body[:5], "unknown")
    for wrong in (0x0001, 0x0100, 0x8000):
        damaged = (int(check.replace(" ", ""), 16) ^ wrong).to_bytes(2, "big")
        assert StreamDecoder(chosen_dialects()).feed(bytes.fromhex(f"B5 62 {body}") + damaged) == []


@pytest.mark.parametrize(("text", "check"), [(CHECK_STRING, 0xDD15), (b"abcde", 0xEFC3)])
def test_published_fletcher_of_texts(text: bytes, check: int) -> None:
    # ASCII 123456789: DD 15; ASCII abcde: EF C3 (computed).
    assert CHECKS["fletcher8"].compute(text) == check


def fletcher_by_definition(data: bytes) -> int:
    first = second = 0
    for byte in data:
        first = first + byte & 0xFF
        second = second + first & 0xFF
    return first << 8 | second


@pytest.mark.parametrize("size", [0, 1, 2, 255, 400, 401, 8196])
def test_fletcher_of_any_size_is_the_definition(size: int) -> None:
    rng = random.Random(size)
    for data in (rng.randbytes(size), b"\xff" * size):
        assert CHECKS["fletcher8"].compute(data) == fletcher_by_definition(data)


CRCS: list[tuple[str, Callable[[bytes], int], int]] = [
    ("crc16_ibm3740", Crc16Ibm3740.calc, 0x29B1),
    ("crc16_xmodem", Crc16Xmodem.calc, 0x31C3),
    ("crc24q", Crc24LteA.calc, 0xCDE703),
    ("crc32", Crc32IsoHdlc.calc, 0xCBF43926),
]


@pytest.mark.parametrize(("name", "independent", "check"), CRCS)
def test_crcs(name: str, independent: Callable[[bytes], int], check: int) -> None:
    compute = CHECKS[name].compute
    assert compute(CHECK_STRING) == independent(CHECK_STRING) == check
    data = random.Random(name).randbytes(1000)
    assert compute(data) == independent(data)


def test_every_check_is_held_against_something() -> None:
    assert set(CHECKS) == {name for name, _, _ in CRCS} | {"xor8", "sum8", "fletcher8"}
    data = random.Random(8).randbytes(300)
    assert CHECKS["sum8"].compute(data) == sum(data) % 256
    assert CHECKS["xor8"].compute(data) == reduce(lambda one, other: one ^ other, data)


@pytest.mark.parametrize("name", CHECKS)
def test_a_check_fits_its_size(name: str) -> None:
    size, compute = CHECKS[name]
    highest = max(compute(random.Random(seed).randbytes(40)) for seed in range(400))
    assert highest.bit_length() == 8 * size
