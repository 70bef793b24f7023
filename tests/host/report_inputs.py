"""Invented runs for the report's tests: a vehicle in the open ocean that drives, stops and has its troubles."""

from __future__ import annotations

import datetime as dt
import math
import random
from collections.abc import Iterator
from functools import reduce
from operator import xor

from chunk_windows import windows_of
from journal_maker import Maker
from offtake.dialects.stream import StreamChunk
from offtake.journal.events import RunEvent
from offtake.journal.runs import RunInfo
from offtake.journal.source import BytesSource
from offtake.journal.verify import VerifyReport, verify
from offtake.report.inputs import ReportInput, RunInput
from offtake.track.analyse import analyse
from track_reading import read_track

BAUD = 57_600
START = dt.datetime(2024, 3, 9, 23, 50, tzinfo=dt.UTC)
LATITUDE_DEG, LONGITUDE_DEG = -47.5, -120.25
METRES_PER_DEGREE = 111_320.0


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def angle(degrees: float, digits: int, sides: str) -> str:
    whole, minutes = divmod(round(abs(degrees) * 60 * 100_000), 60 * 100_000)
    return f"{whole:0{digits}d}{minutes / 100_000:08.5f},{sides[degrees < 0]}"


def epochs(seconds: int, rate_hz: int, rng: random.Random) -> Iterator[tuple[float, bytes]]:
    """(seconds since power-up, what the receiver says): drives, rests in the middle third, jumps once, and is without
    a position for a while."""
    east = north = heading = 0.0
    for number in range(seconds * rate_hz):
        at = number / rate_hz
        rest = seconds / 3 < at < 2 * seconds / 3
        speed = 0.0 if rest else 4.0 + 1.5 * math.sin(at / 17)
        heading += 0.0 if rest else (0.6 / rate_hz) * math.sin(at / 40)
        east += speed / rate_hz * math.sin(heading)
        north += speed / rate_hz * math.cos(heading)
        noise = [rng.gauss(0, 0.35), rng.gauss(0, 0.35)]
        jump = 180.0 if 0.8 * seconds < at < 0.8 * seconds + 2 else 0.0
        utc = START + dt.timedelta(seconds=at)
        clock = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
        lat = angle(LATITUDE_DEG + (north + noise[0]) / METRES_PER_DEGREE, 2, "NS")
        east_deg = (east + noise[1] + jump) / METRES_PER_DEGREE / math.cos(math.radians(LATITUDE_DEG))
        lon = angle(LONGITUDE_DEG + east_deg, 3, "EW")
        course = math.degrees(heading) % 360
        void = 0.15 * seconds < at < 0.15 * seconds + 20
        hdop = 0.8 + 0.5 * math.sin(at / 60) ** 2
        used = 11 - round(3 * math.sin(at / 60) ** 2)
        height = 12 + 6 * math.sin(at / 90) + rng.gauss(0, 0.3)
        if void:
            said = [f"GNGGA,{clock},,,,,0,00,,,M,,M,,", f"GNRMC,{clock},V,,,,,,,{utc:%d%m%y},,,N,V"]
        else:
            said = [
                f"GNGGA,{clock},{lat},{lon},1,{used:02d},{hdop:.2f},{height:.1f},M,-3.1,M,,",
                f"GNRMC,{clock},A,{lat},{lon},{speed * 3600 / 1852:.2f},{course:.1f},{utc:%d%m%y},,,A,V",
                f"GNGST,{clock},1.1,0.9,0.7,20,{hdop:.2f},{hdop * 0.9:.2f},{hdop * 1.6:.2f}",
            ]
        if number % rate_hz == 0:
            levels = [f"{2 + n:02d},{20 + 6 * n:02d},{40 * n:03d},{30 + n + rng.randrange(6)}" for n in range(8)]
            said += [f"GPGSA,A,3,{','.join(f'{2 + n:02d}' for n in range(8))},,,,,1.9,{hdop:.2f},1.6"]
            said += [f"GPGSV,2,{part + 1},08,{','.join(levels[4 * part : 4 * part + 4])}" for part in range(2)]
        yield 2.0 + at + rng.expovariate(250), b"".join(map(sentence, said))


def run(number: int = 1, *, seconds: int = 600, rate_hz: int = 5, seed: int = 3, drift: float = 1.0021) -> RunInput:
    """A whole run through the real decoder, time line and analysis."""
    rng = random.Random(seed)
    chunks = [StreamChunk(round(at * drift * 1e6) // 4 * 4, data, False) for at, data in epochs(seconds, rate_hz, rng)]
    track = read_track(windows_of(chunks), baud=BAUD, run=number)
    end = round((seconds + 3) * drift * 1e6)
    events = [RunEvent(number, 300, "run_start", "power_on", 0, "Started by power_on.", 300)]
    events += [
        RunEvent(number, tick, "supply", "", 0, "Supply and card.", tick,
                 supply_mv=round(5000 - 40 * math.sin(tick / 1e8) + rng.gauss(0, 6)),
                 card_busy_ms=140 if rng.random() < 0.05 else rng.randrange(2, 21))
        for tick in range(10_000_000, end, 10_000_000)
    ]  # fmt: skip
    lost = round(0.6 * seconds * 1e6)
    events.append(RunEvent(number, lost, "loss", "ring_full", 212, "212 bytes were dropped: the ring was full.", lost))
    raw = sum(len(chunk.data) for chunk in chunks)
    info = RunInfo(number, 1, 900, frames=1200, raw_bytes=raw, lost_bytes=212)
    analysis = analyse(track, losses=[lost], end_tick_us=end)
    return RunInput(info, track, analysis, sorted(events, key=lambda one: one.tick_us), end)


def bare_run(number: int = 1) -> RunInput:
    """A run in which nothing was heard."""
    track = read_track([], baud=BAUD, run=number)
    return RunInput(RunInfo(number, 1, 2), track, analyse(track, end_tick_us=60_000_000), (), 60_000_000)


def checked(label: str = "invented") -> VerifyReport:
    """What verify says of a small made journal."""
    maker = Maker(64, label=label) if label != "invented" else Maker(64)
    maker.flight(random.Random(2), 20)
    return verify(BytesSource(maker.whole()), "made")


def whole(*runs: RunInput, source: str = "invented.jnl") -> ReportInput:
    return ReportInput(source, checked(), runs or (run(),))
