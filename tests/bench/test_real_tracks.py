"""Real tracks, published as open data, made into what a receiver would have said, recorded, pulled, decoded, exported.

Source: the GPX files in the source package of gpxpy 1.6.2 (Apache-2.0); `host/setup` fetches it, nothing of it is
committed. The files are chosen by what is in them. Their way is real, the receiver is ours: two sentences an epoch, at
the points' own times, so what comes back may differ by no more than the sentences' last digit.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, reduce
from operator import xor
from pathlib import Path

import gpxpy
import numpy as np
import pytest
from offtake.bench.board import Bench, Board
from offtake.bench.cards import Card, uniform
from offtake.bench.cuts import Cut
from offtake.bench.line import Line, steady
from offtake.card import make_card_image, prepare_in_image
from offtake.firmware_build import build
from offtake.hostcore.session import run_core
from offtake.jobs.export import export
from offtake.jobs.header import Settings, new_header
from offtake.journal.codec import encode_journal_header

SOURCES = Path(__file__).parents[2] / ".build/sources/gpxpy-1.6.2/test_files"
BAUD = 57_600
BYTE_NS = 10 * 1_000_000_000 // BAUD
START_S = 2.0
BLOCKS = 2048

# Half of the sentences' last digit: five decimals of a minute, one of a metre, two of a second.
HALF_DEGREE = 0.5e-5 / 60 + 1e-12
HALF_METRE = 0.05 + 1e-9
HALF_SECOND = 0.005 + 1e-9


@dataclass(frozen=True)
class Point:
    """One point of a published track."""

    utc: dt.datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float | None


@cache
def published_tracks() -> dict[str, tuple[Point, ...]]:
    """Every track of the source package with at least fifty points at rising times, by its file's name."""
    files = sorted(SOURCES.glob("*.gpx"))
    assert files, f"no GPX files in {SOURCES}: `host/setup tests` fetches them"
    found = {path.stem: tuple(_rising(path)) for path in files}
    return {name: points for name, points in found.items() if len(points) >= 50}


def _rising(path: Path) -> Iterator[Point]:
    """The file's points whose time is later than the one before's, up to the first pause of an hour."""
    try:
        gpx = gpxpy.parse(path.read_text(encoding="utf-8", errors="replace"))
    except gpxpy.gpx.GPXException:
        return  # some of these files are broken on purpose
    last: dt.datetime | None = None
    for point in (p for t in gpx.tracks for s in t.segments for p in s.points):
        if point.time is None or point.time.year < 1980:
            continue
        utc = point.time.astimezone(dt.UTC)
        if last is not None and utc - last > dt.timedelta(hours=1):
            return
        if last is None or utc > last:
            last = utc
            yield Point(utc, point.latitude, point.longitude, point.elevation)


def test_the_package_has_such_tracks() -> None:
    lengths = {name: (len(p), (p[-1].utc - p[0].utc).total_seconds()) for name, p in published_tracks().items()}
    assert len(lengths) >= 4
    assert max(seconds for _, seconds in lengths.values()) > 7_000
    assert sum(count for count, _ in lengths.values()) > 1_000


def sentence(body: str) -> bytes:
    return f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def angle(degrees: float, digits: int, sides: str) -> str:
    """Degrees and minutes with five decimals; carried where the minutes round up to sixty."""
    units = round(abs(degrees) * 60 * 100_000)
    whole, minutes = divmod(units, 60 * 100_000)
    return f"{whole:0{digits}d}{minutes // 100_000:02d}.{minutes % 100_000:05d},{sides[degrees < 0]}"


def said(point: Point) -> bytes:
    """What the receiver says of ``point``: a GGA and an RMC sentence."""
    utc = point.utc + dt.timedelta(milliseconds=5)
    clock = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
    place = f"{angle(point.latitude_deg, 2, 'NS')},{angle(point.longitude_deg, 3, 'EW')}"
    height = "" if point.altitude_m is None else f"{point.altitude_m:.1f}"
    return sentence(f"GNGGA,{clock},{place},1,08,1.0,{height},M,,M,,") + sentence(
        f"GNRMC,{clock},A,{place},,,{utc:%d%m%y},,,A,V"
    )


def bursts(points: tuple[Point, ...]) -> list[tuple[float, bytes]]:
    """(milliseconds after power-on, bytes): each epoch at its own time, or when the line is free again."""
    out: list[tuple[float, bytes]] = []
    free_ms = 0.0
    for point in points:
        data = said(point)
        at_ms = max(free_ms, (START_S + (point.utc - points[0].utc).total_seconds()) * 1000.0)
        free_ms = at_ms + len(data) * BYTE_NS / 1e6
        out.append((at_ms, data))
    return out


def new_card(folder: Path) -> Path:
    path = folder / "card.img"
    make_card_image(path, 16, fat=16)
    settings = Settings(baud=BAUD, when_full="stop", label="a published way", journal_id=0x0FF7A1, created_utc_s=0)
    prepare_in_image(path, encode_journal_header(new_header(settings, BLOCKS)), BLOCKS)
    return path


def check_export(card: Path, points: tuple[Point, ...], folder: Path) -> None:
    """The exported GPX holds every point, in order, within half of the sentences' last digit."""
    done = export(card, ["gpx"], folder / "way")
    assert (done.damaged_bytes, done.summary.fixes) == (0, len(points))
    back = gpxpy.parse((folder / "way.gpx").read_text(encoding="utf-8"))
    got = [p for t in back.tracks for s in t.segments for p in s.points]
    assert len(got) == len(points)
    for sent, found in zip(points, got, strict=True):
        assert found.latitude == pytest.approx(sent.latitude_deg, abs=HALF_DEGREE)
        assert found.longitude == pytest.approx(sent.longitude_deg, abs=HALF_DEGREE)
        assert abs((found.time - sent.utc).total_seconds()) <= HALF_SECOND
        if sent.altitude_m is None:
            assert found.elevation is None
        else:
            assert found.elevation == pytest.approx(sent.altitude_m, abs=HALF_METRE)


@pytest.mark.parametrize(
    "minutes", [3.0, pytest.param(60.0 * 24, marks=pytest.mark.long)], ids=["three minutes", "all of it"]
)
def test_tracks_through_the_core(minutes: float, tmp_path: Path) -> None:
    """Every track, its densest minutes or all of it (twelve hours), in the core's virtual time."""
    for name, whole in published_tracks().items():
        points = _densest(whole, minutes)
        folder = tmp_path / name
        folder.mkdir()
        card = new_card(folder)
        image = bytearray(card.read_bytes())
        said_at = bursts(points)
        times = np.concatenate([
            (at_ms * 1e6 + BYTE_NS * np.arange(1, len(data) + 1)).astype(np.uint64) for at_ms, data in said_at
        ])  # fmt: skip
        data = b"".join(data for _, data in said_at)
        run = run_core(image, times, data, Card(busy=uniform(1.0, 20.0), seed=4), int(times[-1]) + 2_000_000_000)
        assert run.delivered == len(data)
        card.write_bytes(image)
        check_export(card, points, folder)


def test_a_track_through_the_real_firmware(tmp_path: Path) -> None:
    """The two minutes of the package's tracks that are most densely sampled, on the bench."""
    points = max((_densest(points, 2.0) for points in published_tracks().values()), key=len)
    assert len(points) >= 20
    card = new_card(tmp_path)
    image = bytearray(card.read_bytes())
    frequency = 16_000_000
    parts = [steady(data, baud=BAUD, frequency_hz=frequency, start_ms=at_ms) for at_ms, data in bursts(points)]
    line = Line(*(np.concatenate([getattr(p, part) for p in parts]) for part in ("start", "pattern", "bit")))
    with Bench(build("atmega328p_16mhz"), image=image, card=Card(busy=uniform(1.0, 20.0), seed=4), line=line,
               board=Board(frequency_hz=frequency), seed=4) as bench:  # fmt: skip
        assert bench.run_line(then_ms=1_500.0).ok
        bench.cut(Cut())
    card.write_bytes(image)
    check_export(card, points, tmp_path)


def _densest(points: tuple[Point, ...], minutes: float) -> tuple[Point, ...]:
    """The stretch of at most so many minutes that has the most points."""
    stretches = (
        tuple(itertools.takewhile(lambda p, s=start: p.utc - s.utc <= dt.timedelta(minutes=minutes), points[at:]))
        for at, start in enumerate(points)
    )
    return max(stretches, key=len)
