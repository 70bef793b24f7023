"""Seeded receivers for the tests of epochs: any set of sentences and frames in any order, with faults."""

from __future__ import annotations

import random
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field

from binary_frames import frame_b562, pvt, sentence
from offtake.dialects.stream import StreamChunk, byte_time_us
from offtake.track.contribution import DAY_US, WEEK_US

BAUD = 57_600
_MODES = ("AN", "DA", "RF", "NA")
_SATELLITE = struct.Struct("<BBBbhhI")


@dataclass
class Receiver:
    """Says ``kinds`` at every epoch, in their order, at times ``step_us`` apart.

    ``faults`` is the chance of each of many things that may go wrong with an epoch or a message. ``bare`` receivers
    tell no time at all.
    """

    rng: random.Random
    kinds: Sequence[str]
    step_us: int = 200_000
    leap_s: int = 18
    faults: float = 0.0
    talkers: Sequence[str] = ("GN",)
    systems: Sequence[str] = ("",)
    bare: bool = False
    no_position: bool = False
    week_us: int = field(default=130_000_000_000)

    def epoch(self) -> list[bytes]:
        """The messages of the next epoch."""
        rng = self.rng
        self.week_us = (self.week_us + self.step_us) % WEEK_US
        if self._fails():
            self.week_us = (self.week_us + rng.choice([0, -self.step_us, 5_000, 5_600, 7_000_000])) % WEEK_US
        messages: list[bytes] = []
        for kind in self.kinds:
            if self._fails():
                continue
            messages += self._said(kind)
            if self._fails():
                messages += self._said(rng.choice(self.kinds))
        if self._fails():
            rng.shuffle(messages)
        return messages

    def _fails(self) -> bool:
        return self.rng.random() < self.faults

    def _said(self, kind: str) -> list[bytes]:
        rng = self.rng
        week_us = (self.week_us + (rng.choice([0, 1_000, 5_000, 6_000, -5_500]) if self._fails() else 0)) % WEEK_US
        day_us = (week_us - self.leap_s * 1_000_000) % DAY_US
        talker = rng.choice(self.talkers) if self._fails() else self.talkers[0]
        hundredths = day_us // 10_000
        clock = f"{hundredths // 360_000:02d}{hundredths // 6000 % 60:02d}{hundredths // 100 % 60:02d}"
        clock = "" if self.bare or self._fails() else f"{clock}.{hundredths % 100:02d}"
        void = self.no_position or self._fails()
        place = ",,," if void and rng.random() < 0.5 else f"01{rng.uniform(0, 59):07.4f},N,00230.25000,E"
        quality = "0" if void else rng.choice("11124")
        speed, course = f"{rng.uniform(0, 30):.2f}", f"{rng.uniform(0, 360):.1f}"
        dop = f"{rng.uniform(1, 3):.1f}"
        day = 1 + week_us // DAY_US
        bodies: dict[str, list[str]] = {
            "GGA": [f"GGA,{clock},{place},{quality},{rng.randrange(13):02d},{dop},12.5,M,-3.5,M,,"],
            "GNS": [f"GNS,{clock},{place},{'NN' if void else rng.choice(_MODES)},15,{dop},1.5,-3.5,,,V"],
            "RMC": [f"RMC,{clock},{'AV'[void]},{place},{speed},{course},{day:02d}0203,,,{'AN'[void]},V"],
            "GLL": [f"GLL,{place},{clock},{'AV'[void]},{'AN'[void]}"],
            "VTG": [f"VTG,{course},T,,M,{speed},N,,K,{'AN'[void]}"],
            "GSA": [
                f"GSA,A,{rng.choice('133')},01,02,03,04,,,,,,,,,2.5,{dop},2.0{',' if one else ''}{one}"
                for one in self.systems
            ],
            "GSV": [f"GSV,2,{one + 1},05,0{one + 5},45,000,30,09,20,100," for one in range(rng.randrange(3))],
            "ZDA": [f"ZDA,{clock},{day:02d},02,2003,00,00"],
            "GST": [f"GST,{clock},1.0,,,,{rng.uniform(0, 2):.2f},{rng.uniform(0, 2):.2f},2.1"],
            "HDT": [f"HDT,{course},T"],
            "DTM": [f"DTM,{rng.choice(['W84', 'W84', 'P90']) if self._fails() else 'W84'},,0.0,N,0.0,E,0.0,W84"],
        }  # fmt: skip
        if kind in bodies:
            return [sentence(f"{talker}{body}") for body in bodies[kind]]
        return [self._frame(kind, week_us, day_us, void)]

    def _frame(self, kind: str, week_us: int, day_us: int, void: bool) -> bytes:
        rng, tow_ms = self.rng, week_us // 1000
        if kind == "PVT":
            seconds, rest = divmod(day_us, 1_000_000)
            told = 0 if self.bare else rng.choice([7, 7, 3, 1]) if self._fails() else 7
            return frame_b562(
                0x0107,
                pvt(
                    tow_ms=tow_ms, day=1 + week_us // DAY_US, hour=seconds // 3600, minute=seconds // 60 % 60,
                    second=seconds % 60, nano=rest * 1000, valid=told, fix=rng.choice([3, 3, 2, 4]),
                    flags=0 if void else rng.choice([1, 3, 0x41, 0x81]), longitude=rng.randrange(10**9),
                    horizontal=rng.randrange(9999), course=rng.randrange(-36_000_000, 36_000_000),
                ),
            )  # fmt: skip
        if kind == "SAT":
            each = [
                _SATELLITE.pack(rng.choice([0, 2, 6]), one + 1, rng.randrange(50), 40, 100, 0, 8 * (one % 2) | 4)
                for one in range(rng.randrange(5))
            ]
            return frame_b562(0x0135, struct.pack("<IBB2x", tow_ms, 1, len(each)) + b"".join(each))
        if kind == "DOP":
            return frame_b562(0x0104, struct.pack("<I7H", tow_ms, *(rng.randrange(100, 300) for _ in range(7))))
        if kind == "POS":
            return frame_b562(0x0102, struct.pack("<IiiiiII", tow_ms, 10**8, rng.randrange(10**8), 900, 800, 7, 8))
        if kind == "FINE":
            return frame_b562(
                0x0114, struct.pack("<B2xBIiiiibbbbII", 0, void, tow_ms, 10**8, 10**8, 900, 800, 3, 4, 5, 6, 70, 80)
            )
        if kind == "VEL":
            return frame_b562(
                0x0112, struct.pack("<IiiiIIiII", tow_ms, 100, rng.randrange(-99, 99), 5, 7, 100, 9_000_000, 50, 60)
            )
        if kind == "GPS":
            return frame_b562(0x0120, struct.pack("<IihbBI", tow_ms, 0, 2200, self.leap_s, 7, 50))
        return frame_b562(0x0161, struct.pack("<I", tow_ms))


TEXTS = ("GGA", "GNS", "RMC", "GLL", "VTG", "GSA", "GSV", "ZDA", "GST", "HDT", "DTM")
FRAMES = ("PVT", "SAT", "DOP", "POS", "FINE", "VEL", "GPS", "END")


def any_receiver(rng: random.Random, faults: float) -> Receiver:
    """Some receiver: text, frames, or both."""
    pool = rng.choice([TEXTS, FRAMES, TEXTS + FRAMES])
    kinds = rng.sample(pool, rng.randrange(1, min(8, len(pool)) + 1))
    return Receiver(
        rng,
        kinds,
        step_us=rng.choice([1_000_000, 200_000, 100_000, 10_000]),
        leap_s=rng.choice([18, 18, 17]),
        faults=faults,
        talkers=rng.choice([("GN",), ("GP", "GL", "GN")]),
        systems=rng.choice([("",), ("1", "2"), ("1", "2", "3"), ("", "")]),
        bare=rng.random() < 0.08,
        no_position=rng.random() < 0.15,
        week_us=rng.choice([130_000_000_000, WEEK_US - 3_000_000, DAY_US + 16_000_000]),
    )


def chunks_of(rng: random.Random, epochs: Sequence[Sequence[bytes]], step_us: int, faults: float) -> list[StreamChunk]:
    """The epochs as a line's chunks: with or without pauses between and within them, cut anywhere, bytes lost."""
    manner = rng.choice(["bursts", "bursts", "parted", "joined"])
    chunks: list[StreamChunk] = []
    free_us = 500
    for number, messages in enumerate(epochs):
        due_us = 500 + number * step_us + rng.choice([0, 0, rng.randrange(3000)])
        begin_us = max(free_us, due_us) if manner != "joined" else free_us
        pieces = [b"".join(messages)]
        if manner == "parted" or rng.random() < faults:
            at = rng.randrange(len(messages) + 1)
            pieces = [b"".join(messages[:at]), b"".join(messages[at:])]
        for place, piece in enumerate(pieces):
            if place:
                begin_us = free_us + rng.choice([0, 3_000, 19_999, 20_000, 30_000, 70_000])
            lost = rng.random() < faults
            if lost:
                piece = piece[rng.randrange(len(piece) + 1) :] + (b"$G" if rng.random() < 0.3 else b"")
            for part in _cut(rng, piece):
                chunks.append(StreamChunk(begin_us, part, lost))
                begin_us += byte_time_us(len(part), BAUD)
                lost = False
            free_us = begin_us
    return chunks


def _cut(rng: random.Random, data: bytes) -> list[bytes]:
    if rng.random() < 0.7:
        return [data]
    at = rng.randrange(len(data) + 1)
    return [data[:at], data[at:]]
