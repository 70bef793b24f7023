"""Makers of binary frames for the tests, written apart from the decoder."""

from __future__ import annotations

import struct
import zlib
from functools import reduce
from operator import xor

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.registry import chosen_dialects


def sentence(body: str) -> bytes:
    """A sentence with its checksum and line end."""
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def frame_b562(key: int, payload: bytes) -> bytes:
    """A frame with sync B5 62; ``key`` is class and id, such as 0x0107."""
    body = struct.pack(">H", key) + struct.pack("<H", len(payload)) + payload
    first = second = 0
    for byte in body:
        first = first + byte & 0xFF
        second = second + first & 0xFF
    return b"\xb5\x62" + body + bytes([first, second])


def crc24q(data: bytes) -> int:
    """Bit by bit, polynomial 864CFB."""
    crc = 0
    for byte in data:
        crc ^= byte << 16
        for _ in range(8):
            crc <<= 1
            if crc & 0x1000000:
                crc ^= 0x1864CFB
    return crc


def frame_rtcm(payload: bytes) -> bytes:
    """A frame of RTCM 3."""
    body = b"\xd3" + struct.pack(">H", len(payload)) + payload
    return body + crc24q(body).to_bytes(3, "big")


def crc32(data: bytes) -> bytes:
    """CRC-32/ISO-HDLC, little-endian."""
    return struct.pack("<I", zlib.crc32(data))


def decode(stream: bytes, decoder: StreamDecoder | None = None) -> list[Message]:
    """All messages of a stream that ends there."""
    decoder = decoder or StreamDecoder(chosen_dialects())
    return decoder.feed(stream) + decoder.finish()


PVT = struct.Struct("<IHBBBBBBIiBBBBiiiiIIiiiiiIIHHIihH")
"""Payload of the position-velocity-time message, from memory as in the dialect's definition: 92 bytes."""


def pvt(**changes: int) -> bytes:
    """A position-velocity-time payload: 2024-01-01 12:00:00.25 at 47.5 south, 120.25 west, or as changed."""
    values = {
        "tow_ms": 129_618_250, "year": 2024, "month": 1, "day": 1, "hour": 12, "minute": 0, "second": 0, "valid": 7,
        "time_accuracy_ns": 21, "nano": 250_000_000, "fix": 3, "flags": 1, "flags2": 0, "used": 17,
        "longitude": -1_202_500_000, "latitude": -475_000_000, "height": 123_456, "altitude": 132_756,
        "horizontal": 901, "vertical": 1502, "north": 1000, "east": -500, "down": 20, "speed": 1118,
        "course": 33_343_495, "speed_accuracy": 90, "course_accuracy": 250_000, "pdop": 137, "flags3": 0, "spare": 0,
        "heading": 9_000_000, "declination": 0, "declination_accuracy": 0,
    }  # fmt: skip
    assert set(changes) <= set(values), changes
    return PVT.pack(*(values | changes).values())
