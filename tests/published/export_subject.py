"""What the exports are tried on: an invented paddle, awkward positions, and everything there is to pin on them."""

from __future__ import annotations

import datetime as dt
import importlib.metadata
from collections.abc import Iterator
from functools import reduce
from operator import xor
from pathlib import Path

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, decode_stream
from offtake.export.inputs import ExportInput
from offtake.journal.events import RunEvent
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis, Gap, Glitch
from offtake.track.build import track_of
from offtake.track.bulk_epochs import EpochBatch
from offtake.track.epochs import group_epochs
from offtake.track.fix import Fix, Satellite, Sky, Track

HOSTILE = "Ä <name>&\"' \x07]]> ../x \u202egnp.exe"
CLEAN = "Ä <name>&\"' ]]> ../x gnp.exe"
LEAP_DAY = dt.datetime(2024, 2, 29, 23, 59, 59, 750_000, tzinfo=dt.UTC)


def packaged(distribution: str, ending: str) -> Path:
    """A file of an installed distribution, without importing it."""
    files = importlib.metadata.files(distribution) or []
    return Path(str(next(one for one in files if str(one).endswith(ending)).locate()))


def sentences(*bodies: str) -> bytes:
    """NMEA 0183 sentences with their checksums and line ends."""
    return b"".join(f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode() for body in bodies)


def bursts() -> Iterator[StreamChunk]:
    """An invented paddle over an invented lake: a gap, a while without height, epochs without a fix."""
    for second in range(40):
        if 15 <= second < 30:
            continue
        lat = f"0012.{34567 + second * 11:05d},S"
        lon = f"17959.{98765 - second * 7:05d},W"
        quality = "0" if second in (3, 35) else "1"
        altitude = "" if second > 30 else f"{402 + second / 8:.3f}"
        body = f"GNGGA,2359{second + 20:02d}.00,{lat},{lon},{quality},09,0.9,{altitude},M,21.5,M,,"
        date = ["GNZDA,235930.00,31,12,2023,00,00"] if second == 10 else []
        extra = ["GNVTG,123.4,T,,M,2.5,N,4.6,K,A", "GNGSA,A,3,01,02,03,04,,,,,,,,,1.9,0.9,1.7,1"]
        yield StreamChunk(2_000_000 + second * 1_000_000, sentences(body, *extra, *date), False)


def awkward(run: int) -> Track:
    """Poles, the 180th meridian, tiny numbers, no time, every value there is, and names that mean harm."""
    places = [(90.0, 180.0), (-90.0, -180.0), (0.0, 1e-7), (1e-300, -1e-9), (53.450657, -2.240410333333333)]
    fixes = [
        Fix(
            run=run,
            tick_us=n * 500_000,
            utc=LEAP_DAY + dt.timedelta(seconds=n / 2),
            latitude_deg=lat,
            longitude_deg=lon,
        )
        for n, (lat, lon) in enumerate(places)
    ]
    full = Fix(
        run=run, tick_us=2_500_000, time_of_day_us=250_001, latitude_deg=1.5, longitude_deg=2.5, altitude_m=-1.25,
        geoid_separation_m=-40.5, height_m=-41.75, speed_m_s=0.1, course_deg=359.99, climb_m_s=-0.3, heading_deg=0.0,
        fix_quality=HOSTILE, fix_type="dead_reckoning", satellites_used=0, satellites_in_view=64, hdop=1e-7, vdop=99.99,
        pdop=1.5, horizontal_accuracy_m=0.014, vertical_accuracy_m=2.5, speed_accuracy_m_s=0.05, after_loss=True,
    )  # fmt: skip
    sky = Sky(run, 500_000, LEAP_DAY + dt.timedelta(seconds=0.5), (
        Satellite("gps", 7, 45.5, 359.0, 41.0, True, 1), Satellite("glonass", 65), Satellite(None, 200, used=False),
    ))  # fmt: skip
    return Track(
        run, (*fixes, full), skies=(sky, Sky(run, 2_500_000, None, (Satellite("galileo", 3, cn0_db_hz=30.5),)))
    )


def found(run: int) -> Analysis:
    """Made-up findings in the awkward run: two glitches over the same fix, and a gap before the last."""
    jump = (("moved_m", 12_345_678.5), (HOSTILE, -1e-7))
    gap_begin, gap_end = 2_000_000, 2_500_000
    return Analysis(
        run=run,
        interval_s=0.5,
        gaps=(Gap(run, "bytes_lost", gap_begin, gap_end, LEAP_DAY + dt.timedelta(seconds=2), None, 4, 5),),
        glitches=(
            Glitch(
                run, "jump", 1, 2, 500_000, 1_000_000, LEAP_DAY + dt.timedelta(seconds=0.5), jump, f"far {HOSTILE}."
            ),
            Glitch(run, "time_backwards", 2, 2, 1_000_000, 1_000_000, None, (), "the clock went back"),
        ),
    )


EPOCHS = EpochBatch.of(list(group_epochs(decode_stream(bursts(), StreamDecoder(chosen_dialects()), 57_600), 1)), 1)
TRACKS = (track_of(EPOCHS, 1), awkward(2))
EVENTS = (
    RunEvent(1, 0, "run_start", "power_on", 0, "the run began", 0),
    RunEvent(1, 20_000_000, "loss", "ring_full", 484, HOSTILE, 21_500_000, merged=3),
    RunEvent(1, 25_000_000, "supply", "", 0, "supply 4.90 V", 25_000_000, supply_mv=4_900, card_busy_ms=120),
    RunEvent(2, 2_600_000, "run_end", "desk", 0, "the run ended", 2_600_000),
    RunEvent(3, 5, "damage", "no_start", 0, "=cmd|'/c calc'!A1", 5),
)
INPUTS = ExportInput(TRACKS, (analyse(TRACKS[0]), found(2)), EVENTS, HOSTILE)
SEGMENTS = [[fix for _, fix in part] for track in TRACKS for part in INPUTS.segments(track)]
POSITIONED = [fix for segment in SEGMENTS for fix in segment]
EVERY_FIX = [fix for track in TRACKS for fix in track.fixes]


def wrapped(longitude: float | None) -> float | None:
    """Longitude 180 is written as -180."""
    return -180.0 if longitude == 180.0 else longitude
