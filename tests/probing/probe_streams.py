"""What receivers say in one epoch, in each dialect, and what nobody knows; seeded."""

from __future__ import annotations

import struct
import sys
from functools import lru_cache
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "host"))

from binary_frames import frame_b562, frame_rtcm, pvt, sentence

KNOWN = {"text": ("nmea0183",), "b562": ("b562",), "rtcm3": ("rtcm3",), "mixed": ("nmea0183", "b562", "rtcm3")}
"""Kinds of streams, and the dialects in each."""
UNKNOWN = ("own_binary", "own_text")
POOL = 24
"""Different epochs of each kind; a line draws from them."""

Epoch = tuple[bytes, ...]
"""The messages of one epoch, in order."""


@lru_cache(maxsize=64)
def epochs(kind: str, size: int) -> tuple[Epoch, ...]:
    """Different epochs of ``kind`` with as many messages as fit into ``size`` bytes, one at least."""
    rng = np.random.default_rng([len(kind), *kind.encode(), size])
    made = []
    for _ in range(POOL):
        messages = _MAKERS[kind](rng)
        kept, left = [messages[0]], size - len(messages[0])
        for message in messages[1:]:
            if len(message) <= left:
                kept.append(message)
                left -= len(message)
        made.append(tuple(kept))
    return tuple(made)


def _text(rng: np.random.Generator) -> list[bytes]:
    minutes, east = rng.uniform(0, 59.9), rng.uniform(0, 59.9)
    time = f"1207{rng.integers(60):02d}.00"
    place = f"12{minutes:08.5f},S,034{east:08.5f},W"
    satellites = "".join(
        f",{one:02d},{rng.integers(5, 90):02d},{rng.integers(360):03d},{rng.integers(20, 50):02d}"
        for one in rng.permutation(32)[:4] + 1
    )
    used = ",".join(f"{one:02d}" for one in np.sort(rng.permutation(32)[:12] + 1))
    return [
        sentence(f"GNRMC,{time},A,{place},{rng.uniform(0, 9):.3f},{rng.uniform(0, 360):.2f},030231,,,A,V"),
        sentence(f"GNGGA,{time},{place},1,{rng.integers(5, 13):02d},1.1,{rng.uniform(0, 99):.1f},M,-3.5,M,,"),
        sentence(f"GNGSA,A,3,{used},2.01,1.1,1.64,1"),
        sentence(f"GPGSV,1,1,04{satellites},1"),
        sentence(f"GNVTG,{rng.uniform(0, 360):.2f},T,,M,{rng.uniform(0, 9):.3f},N,{rng.uniform(0, 9):.3f},K,A"),
    ]


def _b562(rng: np.random.Generator) -> list[bytes]:
    satellites = rng.integers(0, 256, 8 + 12 * int(rng.integers(8, 17)), dtype=np.uint8).tobytes()
    position = pvt(nano=int(rng.integers(10**9)), used=int(rng.integers(30)), speed=int(rng.integers(9000)))
    return [
        frame_b562(0x0107, position),
        frame_b562(0x0104, rng.integers(0, 256, 18, dtype=np.uint8).tobytes()),
        frame_b562(0x0135, satellites),
        frame_b562(0x0161, rng.integers(0, 256, 4, dtype=np.uint8).tobytes()),
    ]


def _rtcm3(rng: np.random.Generator) -> list[bytes]:
    sizes = {1005: 17, 1077: int(rng.integers(80, 160)), 1087: int(rng.integers(60, 120)), 1230: 6}
    return [
        frame_rtcm(struct.pack(">H", number << 4 | int(rng.integers(16))) + _random(rng, size))
        for number, size in sizes.items()
    ]


def _mixed(rng: np.random.Generator) -> list[bytes]:
    """Two messages of each dialect: on a mixed line none is rare."""
    text, b562, rtcm3 = _text(rng), _b562(rng), _rtcm3(rng)
    return [text[0], b562[0], rtcm3[0], text[1], b562[1], rtcm3[3], text[2], rtcm3[1], b562[2]]


def _own_binary(rng: np.random.Generator) -> list[bytes]:
    """Frames of nobody's: two sync bytes, a counter, what may be anything."""
    return [b"\xa7\x1c" + _random(rng, int(rng.integers(30, 90))) for _ in range(4)]


def _own_text(rng: np.random.Generator) -> list[bytes]:
    """Lines without '$' and check."""
    return [f"depth={rng.uniform(0, 60):.2f};temp={rng.uniform(0, 30):.1f};n={rng.integers(10**6)}\r\n".encode()
            for _ in range(4)]  # fmt: skip


def _random(rng: np.random.Generator, size: int) -> bytes:
    return rng.integers(0, 256, size, dtype=np.uint8).tobytes()


_MAKERS = {
    "text": _text, "b562": _b562, "rtcm3": _rtcm3, "mixed": _mixed, "own_binary": _own_binary, "own_text": _own_text,
}  # fmt: skip
