"""Invented receivers' lines for ten seconds, and where their numbers stand: text sentences and binary messages."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import reduce
from operator import xor

import numpy as np
from bench_layout import BITS_PER_BYTE, STRETCH_S, TICKS_PER_S, Burst, Bytes, Longs
from bench_moments import Moments, moments_of

HEX = np.frombuffer(b"0123456789ABCDEF", dtype=np.uint8)
_JITTER_TICKS = 500
_START_TICKS = 12_500


@dataclass(frozen=True)
class Number:
    """A number that changes from stretch to stretch: ``values`` gives it, shape (k, n), for n places of the line.

    ``messages``: the message that each place is in. ``width`` in bytes; as decimal digits, or little-endian.
    """

    places: Longs
    messages: Longs
    width: int
    is_text: bool
    values: Callable[[Moments], Longs]


@dataclass
class Line:
    """The bytes of a stretch. A message's check covers ``starts`` to ``stops`` and stands ``check_gap`` after."""

    is_text: bool
    baud: int
    data: bytes
    bursts: list[Burst]
    numbers: list[Number]
    starts: Longs
    stops: Longs
    rate_hz: int
    check_gap: int = 0


@dataclass
class _Writer:
    """Collects a line; numbers are marked by the name of what they show and the epoch they are of."""

    data: bytearray = field(default_factory=bytearray)
    bursts: list[Burst] = field(default_factory=list)
    starts: list[int] = field(default_factory=list)
    stops: list[int] = field(default_factory=list)
    marks: dict[tuple[str, int, bool, int], list[tuple[int, int, int]]] = field(default_factory=dict)
    _seen: Counter[tuple[str, int]] = field(default_factory=Counter)

    def mark(self, name: str, width: int, epoch: int, at: int, is_text: bool) -> None:
        """The number ``name`` of ``epoch`` stands at ``at`` of the message that was begun last."""
        message = len(self.starts) - 1
        # Numbers of one key are written at once, so each may be in a message only once.
        nth = self._seen[name, message]
        self._seen[name, message] += 1
        self.marks.setdefault((name, width, is_text, nth), []).append((at, message, epoch))

    def numbers(self) -> list[Number]:
        """All that was marked."""
        found = []
        for (name, width, is_text, _), marks in self.marks.items():
            table = np.array(marks, dtype=np.int64)
            found.append(Number(table[:, 0], table[:, 1], width, is_text, _of(name, table[:, 2])))
        return found


def _of(name: str, epochs: Longs) -> Callable[[Moments], Longs]:
    return lambda moments: moments[name][:, epochs]


def burst_ticks(rate_hz: int, seed: int) -> list[int]:
    """When each burst of a stretch begins: every epoch, a little late by chance."""
    rng = random.Random(seed)
    step = TICKS_PER_S // rate_hz
    return [_START_TICKS + index * step + rng.randrange(_JITTER_TICKS) for index in range(STRETCH_S * rate_hz)]


# Text

_SKY = (
    ("GP", 1, (2, 5, 7, 9, 13, 15, 18, 20, 26, 29)),
    ("GL", 2, (66, 67, 73, 74, 82, 83, 84)),
)
"""Talker, system number, satellites: an invented sky."""
_USED = {"GP": 8, "GL": 5}


def text_line(rate_hz: int, baud: int, seed: int) -> Line:
    """GGA, RMC, VTG, GSA and GSV of two systems, ``rate_hz`` times a second."""
    rng = random.Random(seed)
    writer = _Writer()
    for epoch, tick in enumerate(burst_ticks(rate_hz, seed)):
        start = len(writer.data)
        _text_epoch(writer, epoch, rate_hz, rng)
        _burst(writer, tick, start, baud)
    starts, stops = np.array(writer.starts), np.array(writer.stops)
    return Line(True, baud, bytes(writer.data), writer.bursts, writer.numbers(), starts, stops, rate_hz, check_gap=1)


def _burst(writer: _Writer, tick: int, start: int, baud: int) -> None:
    ends = tick + (len(writer.data) - start) * BITS_PER_BYTE * TICKS_PER_S / baud
    assert ends < (len(writer.bursts) + 1) * TICKS_PER_S * STRETCH_S, "the line is too slow"
    writer.bursts.append(Burst(tick, start, len(writer.data)))


Part = str | tuple[str, int]
"""Text as it stands, or the name of a number and its digits."""


def _say(writer: _Writer, epoch: int, parts: Iterable[Part]) -> None:
    """One sentence; numbers stand as zeros until a stretch is written."""
    writer.data += b"$"
    writer.starts.append(len(writer.data))
    for part in parts:
        if isinstance(part, str):
            writer.data += part.encode("ascii")
        else:
            writer.mark(part[0], part[1], epoch, len(writer.data), is_text=True)
            writer.data += b"0" * part[1]
    writer.stops.append(len(writer.data))
    body = writer.data[writer.starts[-1] :]
    writer.data += b"*%02X\r\n" % reduce(xor, body, 0)


def _text_epoch(writer: _Writer, epoch: int, rate_hz: int, rng: random.Random) -> None:
    tenths, hundredths = divmod(epoch % rate_hz * 100 // rate_hz, 10)
    # A stretch begins at a whole ten seconds, so the last digits are always the same.
    clock: list[Part] = [("hour", 2), ("minute", 2), ("ten_seconds", 1), f"{epoch // rate_hz}.{tenths}{hundredths}"]
    place: list[Part] = [
        ("latitude_deg", 2), ("latitude_min", 2), ".", ("latitude_frac", 5), ",N,",
        ("longitude_deg", 3), ("longitude_min", 2), ".", ("longitude_frac", 5), ",W",
    ]  # fmt: skip
    knots: list[Part] = [("knots", 2), ".", ("knots_frac", 3)]
    course: list[Part] = [("course", 3), ".", ("course_frac", 2)]
    hdop = f"{rng.randrange(80, 99) / 100:.2f}"
    used = sum(_USED.values())
    height: list[Part] = [("altitude", 3), ".", ("altitude_frac", 1), ",M,47.1,M,,"]
    _say(writer, epoch, ["GNGGA,", *clock, ",", *place, f",1,{used:02d},{hdop},", *height])
    _say(writer, epoch, ["GNRMC,", *clock, ",A,", *place, ",", *knots, ",", *course, ",", ("date", 6), ",,,A,V"])
    speed: list[Part] = [("kmh", 2), ".", ("kmh_frac", 3)]
    _say(writer, epoch, ["GNVTG,", *course, ",T,,M,", *knots, ",N,", *speed, ",K,A"])
    for talker, system, numbers in _SKY:
        listed = ",".join(f"{number:02d}" for number in numbers[: _USED[talker]]) + "," * (12 - _USED[talker])
        _say(writer, epoch, [f"GNGSA,A,3,{listed},1.72,{hdop},1.45,{system}"])
    for talker, _, numbers in _SKY:
        # Now and then a low satellite comes and goes.
        _say_satellites(writer, epoch, talker, numbers[: len(numbers) - (epoch % 7 == 0)], rng)


def _say_satellites(writer: _Writer, epoch: int, talker: str, numbers: tuple[int, ...], rng: random.Random) -> None:
    groups = [numbers[at : at + 4] for at in range(0, len(numbers), 4)]
    for index, group in enumerate(groups):
        parts: list[Part] = [f"{talker}GSV,{len(groups)},{index + 1},{len(numbers):02d}"]
        for number in group:
            elevation, azimuth = 8 + number * 37 % 80, number * 101 % 360
            parts += [f",{number:02d},{elevation:02d},{azimuth:03d},"]
            # One in twelve is in view but not tracked.
            parts += [f"{rng.randrange(2, 5)}", (f"cn0_{number % 4}", 1)] if rng.randrange(12) else []
        _say(writer, epoch, [*parts, ",1"])


# Binary

SATELLITES = 18


def binary_line(rate_hz: int, baud: int, seed: int) -> Line:
    """Position, velocity and time, satellites and end of epoch in frames B5 62, ``rate_hz`` times a second."""
    rng = random.Random(seed)
    writer = _Writer()
    for epoch, tick in enumerate(burst_ticks(rate_hz, seed)):
        start = len(writer.data)
        _frame(writer, epoch, 0x0107, _solution(epoch, rate_hz))
        _frame(writer, epoch, 0x0135, _satellites(rng, SATELLITES - epoch % 3))
        _frame(writer, epoch, 0x0161, [("time_of_week_ms", 4)])
        _burst(writer, tick, start, baud)
    starts, stops = np.array(writer.starts), np.array(writer.stops)
    return Line(False, baud, bytes(writer.data), writer.bursts, writer.numbers(), starts, stops, rate_hz)


Piece = bytes | tuple[str, int]
"""Bytes as they stand, or the name of a number and its size."""


def _frame(writer: _Writer, epoch: int, key: int, parts: Iterable[Piece]) -> None:
    parts = list(parts)
    size = sum(len(part) if isinstance(part, bytes) else part[1] for part in parts)
    writer.data += b"\xb5\x62"
    writer.starts.append(len(writer.data))
    writer.data += key.to_bytes(2, "big") + size.to_bytes(2, "little")
    for part in parts:
        if isinstance(part, bytes):
            writer.data += part
        else:
            writer.mark(part[0], part[1], epoch, len(writer.data), is_text=False)
            writer.data += bytes(part[1])
    writer.stops.append(len(writer.data))
    first = second = 0
    for byte in writer.data[writer.starts[-1] :]:
        first = first + byte & 0xFF
        second = second + first & 0xFF
    writer.data += bytes([first, second])


def _solution(epoch: int, rate_hz: int) -> list[Piece]:
    nano = epoch % rate_hz * 10**9 // rate_hz
    return [
        ("time_of_week_ms", 4), ("year", 2), ("month", 1), ("day", 1), ("hour", 1), ("minute", 1), ("second", 1),
        b"\x07", (25).to_bytes(4, "little"), nano.to_bytes(4, "little"), b"\x03\x01\x00\x0e",
        ("longitude_e7", 4), ("latitude_e7", 4), ("height_mm", 4), ("altitude_mm", 4),
        (900).to_bytes(4, "little"), (1500).to_bytes(4, "little"),
        ("north_mm_s", 4), ("east_mm_s", 4), bytes(4), ("speed_mm_s", 4), ("course_e5", 4),
        (90).to_bytes(4, "little"), (250_000).to_bytes(4, "little"), (137).to_bytes(2, "little"), bytes(14),
    ]  # fmt: skip


def _satellites(rng: random.Random, count: int) -> list[Piece]:
    parts: list[Piece] = [("time_of_week_ms", 4), bytes([1, count, 0, 0])]
    for index in range(count):
        system, number = (0, 2 + index) if index < 10 else (6, index - 9)
        elevation, azimuth = 8 + number * 37 % 80, number * 101 % 360
        parts += [bytes([system, number]), (f"cn0_dbhz_{index % 4}", 1), bytes([elevation])]
        used = 0x1F if index < 14 else 0x11
        parts += [azimuth.to_bytes(2, "little"), rng.randrange(40).to_bytes(2, "little"), used.to_bytes(4, "little")]
    return parts


# A stretch's numbers


def write_line(line: Line, line_at: Longs, tile: Bytes, first_stretch: int, seed: int) -> None:
    """Write the numbers and checks of stretches into ``tile``, shape (k, bytes); ``line_at`` has each byte's place."""
    k = len(tile)
    stretches = first_stretch + np.arange(k)
    moments = moments_of(stretches, line.rate_hz, seed)
    # What a message's check is without its numbers, which stand as zeros (of text: the digit) in the template.
    low = np.repeat(_plain_sums(line)[np.newaxis], k, axis=0)
    high = np.repeat(_weighted_sums(line)[np.newaxis], k, axis=0) if not line.is_text else low
    for number in line.numbers:
        for index, column in _columns(number, moments):
            place = number.places + index
            tile[:, line_at[place]] = column
            if line.is_text:
                low[:, number.messages] ^= column ^ ord("0")
            else:
                low[:, number.messages] += column
                weights = (line.stops[number.messages] - place).astype(np.uint8)
                high[:, number.messages] += column * weights
    at = line.stops + line.check_gap
    tile[:, line_at[at]] = HEX[low >> 4] if line.is_text else low
    tile[:, line_at[at + 1]] = HEX[low & 0xF] if line.is_text else high


def _columns(number: Number, moments: Moments) -> Iterable[tuple[int, Bytes]]:
    """Each byte of a number, shape (k, n), with its place in it."""
    values = number.values(moments)
    if not number.is_text:
        for index in range(number.width):
            yield index, (values >> 8 * index & 0xFF).astype(np.uint8)
        return
    left = values.astype(np.uint32)
    for index in range(number.width - 1, -1, -1):
        shorter = left // np.uint32(10)
        yield index, (left - shorter * np.uint32(10)).astype(np.uint8) + np.uint8(ord("0"))
        left = shorter


def _plain_sums(line: Line) -> Bytes:
    data = np.frombuffer(line.data, dtype=np.uint8)
    if line.is_text:
        return np.array([np.bitwise_xor.reduce(data[a:b]) for a, b in zip(line.starts, line.stops, strict=True)])
    return np.array([data[a:b].sum() & 0xFF for a, b in zip(line.starts, line.stops, strict=True)], dtype=np.uint8)


def _weighted_sums(line: Line) -> Bytes:
    data = np.frombuffer(line.data, dtype=np.uint8).astype(np.int64)
    return np.array(
        [int(data[a:b] @ np.arange(b - a, 0, -1)) & 0xFF for a, b in zip(line.starts, line.stops, strict=True)],
        dtype=np.uint8,
    )
