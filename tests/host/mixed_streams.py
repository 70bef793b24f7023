"""Seeded streams of all dialects at once, and damage to them that says which messages it left whole."""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass
from pathlib import Path

from binary_frames import frame_b562, frame_rtcm, pvt, sentence
from crccheck.crc import Crc16Xmodem  # type: ignore[import-untyped]
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.spec.dialect import load_dialect

SOUNDER = load_dialect(Path(__file__).resolve().parents[2] / "demo_data/depth_sounder.toml")


def decoder_of_all() -> StreamDecoder:
    """Every built-in dialect and the invented depth sounder."""
    return StreamDecoder(chosen_dialects(extra=(SOUNDER,)))


def frame_sounder(kind: int, sequence: int, payload: bytes) -> bytes:
    """A frame of the invented depth sounder (demo_data/depth_sounder.toml)."""
    body = b"\xa5\x5a" + struct.pack(">BBH", kind, sequence & 0xFF, len(payload) + 8) + payload
    return body + int(Crc16Xmodem.calc(body)).to_bytes(2, "big")


def depth(depth_cm: int, temperature: int, echoes: int) -> bytes:
    """A depth payload; ``temperature`` is the raw 12-bit number."""
    strengths = b"".join(struct.pack(">HB", depth_cm + 10 * one, 200 - one) for one in range(echoes))
    return struct.pack(">HHB", depth_cm, temperature << 4 | 2 << 1, echoes) + strengths


def any_message(rng: random.Random) -> bytes:
    """A whole message of some dialect: known and unknown ones, short and long; a sentence with its line end."""
    kind = rng.randrange(9)
    if kind == 0:
        minutes = rng.uniform(0, 59)
        return sentence(f"GNGGA,120000.25,47{minutes:08.5f},S,00230.25000,E,1,07,1.1,12.5,M,-3.5,M,,")
    if kind == 1:
        return sentence(f"GNRMC,120000.25,A,0130.5,N,00230.25,E,{rng.uniform(0, 9):.3f},90.0,010203,,,A,V")
    if kind == 2:
        return sentence(f"GPGSV,1,1,02,05,45,{rng.randrange(360):03d},30,07,20,100,,1")
    if kind == 3:
        return sentence(f"PXYZ,{rng.randrange(10**6)}")
    if kind == 4:
        return frame_b562(0x0107, pvt(nano=rng.randrange(10**9), used=rng.randrange(40)))
    if kind == 5:
        return frame_b562(rng.choice([0x0161, 0x0104, 0x0A36]), rng.randbytes(rng.choice([4, 18, 60])))
    if kind == 6:
        number = rng.choice([1005, 1077, 1230, 4072])
        return frame_rtcm(struct.pack(">H", number << 4) + rng.randbytes(rng.choice([17, 60, 400])))
    if kind == 7:
        return frame_sounder(1, rng.randrange(256), depth(rng.randrange(60_000), rng.randrange(600), rng.randrange(4)))
    return frame_sounder(2, rng.randrange(256), struct.pack(">H", rng.randrange(40_000)))


# Bytes that mean something to a decoder come often, so that noise often looks almost like a message.
LOADED = (b"\xb5", b"\xb5\x62", b"\x62", b"\xd3", b"\xd3\x00", b"\xd3\x03\xff", b"\xa5\x5a", b"$", b"!", b"*4F",
          b"\r\n", b"\xb5\x62\x01\x07\x5c\x00", b"\xb5\x62\x01\x07\x00\x20", b"\x00", b"$GPGGA,", b"\xff")  # fmt: skip


def noise(rng: random.Random, pieces_max: int) -> bytes:
    """Random bytes."""
    pieces = [rng.choice(LOADED) if rng.random() < 0.6 else rng.randbytes(rng.randrange(1, 9))
              for _ in range(rng.randrange(pieces_max + 1))]  # fmt: skip
    return b"".join(pieces)


@dataclass(frozen=True)
class Damaged:
    """A stream after damage, and the offset and bytes (without line end) of each message that it left whole."""

    stream: bytes
    whole: list[tuple[int, bytes]]
    messages: int


def damaged_stream(rng: random.Random, messages: int, edits: int) -> Damaged:
    """Messages with noise between, begun in the middle of one; then bytes inserted and removed anywhere."""
    parts: list[tuple[bytes, bool]] = [(any_message(rng)[rng.randrange(1, 9) :], False)]
    for _ in range(messages):
        if rng.random() < 0.3:
            parts.append((noise(rng, 6), False))
        parts.append((any_message(rng), True))
    for _ in range(edits):
        at = rng.randrange(len(parts))
        data, whole_before = parts[at]
        place = rng.randrange(len(data) + 1)
        removed = rng.choice([0, 0, 1, 2, rng.randrange(40)])
        before, inserted, after = data[:place], noise(rng, 4), data[place + removed :]
        if before + inserted + after == data:
            continue
        pieces = [(before, whole_before and before == data), (inserted, False), (after, whole_before and after == data)]
        parts[at : at + 1] = [piece for piece in pieces if piece[0]]
    stream, whole = b"", []
    for data, untouched in parts:
        if untouched:
            whole.append((len(stream), data.removesuffix(b"\r\n") if data[:1] == b"$" else data))
        stream += data
    return Damaged(stream, whole, messages)
