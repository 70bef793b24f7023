"""Invented recordings as bytes: sentences, a plain capture of them, and a journal."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from functools import reduce
from operator import xor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "figures"))

from journal_maker import Maker, run_start
from offtake.generated.records import Raw, RunStart
from offtake.track.fix import Fix, Satellite, Sky, Track

TICKS_PER_S = 250_000
TALKERS = {"gps": "GP", "galileo": "GA", "glonass": "GL"}
FIRST = {"gps": 0, "galileo": 0, "glonass": 64}
BYTES_A_FRAME = 400


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def epochs(track: Track) -> Iterator[tuple[float, bytes]]:
    """(seconds since power-up, what the receiver says)."""
    skies = {sky.tick_us: sky for sky in track.skies}
    for fix in track.fixes:
        yield fix.tick_us / 1e6, b"".join(map(sentence, _bodies(fix, skies.get(fix.tick_us))))


def _bodies(fix: Fix, sky: Sky | None) -> list[str]:
    assert fix.utc is not None
    clock = f"{fix.utc:%H%M%S}.{fix.utc.microsecond // 10_000:02d}"
    if fix.latitude_deg is None or fix.longitude_deg is None:
        return [f"GNGGA,{clock},,,,,0,00,,,M,,M,,", f"GNRMC,{clock},V,,,,,,,{fix.utc:%d%m%y},,,N,V"]
    where = f"{_angle(fix.latitude_deg, 2)},{'NS'[fix.latitude_deg < 0]}"
    where += f",{_angle(fix.longitude_deg, 3)},{'EW'[fix.longitude_deg < 0]}"
    knots = (fix.speed_m_s or 0.0) * 3600 / 1852
    accuracy = (fix.horizontal_accuracy_m or 0.0) / 2**0.5
    said = [
        f"GNGGA,{clock},{where},1,{fix.satellites_used:02d},{fix.hdop:.2f},12.0,M,-3.1,M,,",
        f"GNRMC,{clock},A,{where},{knots:.2f},,{fix.utc:%d%m%y},,,A,V",
        f"GNGST,{clock},1.1,,,,{accuracy:.2f},{accuracy:.2f},2.0",
    ]
    for system, talker in TALKERS.items():
        up = [one for one in (sky.satellites if sky else ()) if one.system == system]
        said += list(_in_view(talker, FIRST[system], up))
    return said


def _in_view(talker: str, first: int, up: Sequence[Satellite]) -> Iterator[str]:
    parts = [up[start : start + 4] for start in range(0, len(up), 4)]
    for number, part in enumerate(parts, start=1):
        groups = [
            f"{first + one.satellite_id:02d},{one.elevation_deg:02.0f},{one.azimuth_deg:03.0f},"
            + ("" if one.cn0_db_hz is None else f"{one.cn0_db_hz:02.0f}")
            for one in part
        ]
        yield f"{talker}GSV,{len(parts)},{number},{len(up):02d},{','.join(groups)}"


def _angle(degrees: float, width: int) -> str:
    units = round(abs(degrees) * 60 * 10**5)
    whole, rest = divmod(units, 60 * 10**5)
    return f"{whole:0{width}d}{rest // 10**5:02d}.{rest % 10**5:05d}"


def capture(path: Path, track: Track) -> Path:
    """The bytes alone."""
    path.write_bytes(b"".join(data for _, data in epochs(track)))
    return path


def journal(path: Path, *tracks: Track) -> Path:
    """A journal with a run for each track."""
    maker = Maker(60_000)
    for number, track in enumerate(tracks, start=1):
        maker.run = number
        maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
        maker.block(250, [(Raw.CODE, 0, b"\r\n")])
        for at, data in epochs(track):
            for index, start in enumerate(range(0, len(data), BYTES_A_FRAME)):
                # 400 bytes take 69 ms at 57,600 baud.
                tick = round(at * TICKS_PER_S) + index * 17_361
                maker.block(tick, [(Raw.CODE, 0, data[start : start + BYTES_A_FRAME])])
    path.write_bytes(maker.used())
    return path
