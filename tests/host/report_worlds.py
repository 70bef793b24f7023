"""Invented runs of many kinds for the report's tests, made without a stream: a boat far out on an ocean. Seeded."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from offtake.dialects.message import DecodeCounts, DialectCounts
from offtake.generated.records import (
    BLOCK_SIZE,
    Board,
    EndReason,
    JournalHeader,
    ResetCause,
    RunEnd,
    RunStart,
    Status,
    WhenFull,
)
from offtake.journal.events import RunEvent
from offtake.journal.findings import Finding
from offtake.journal.runs import RunInfo
from offtake.journal.verify import BlockCounts, VerifyReport
from offtake.report.inputs import ReportInput, RunInput
from offtake.track.analyse import analyse
from offtake.track.fix import Fix, Satellite, Sky, Track
from offtake.track.timeline import fit_timeline
from offtake.track.timemark import TimeMark

Floats = NDArray[np.float64]

ORIGIN_DEG = (-47.3, -118.6)
START_UTC = dt.datetime(2026, 3, 14, 21, 40, tzinfo=dt.UTC)
# Metres a degree near enough for an invented boat.
_METRES_A_DEGREE = 111_200.0
CLOCK_PPM = 1800.0
"""The logger's clock runs fast by so much."""
HOSTILE = (
    '</style></script><script>alert("log")</script><img src=x onerror=alert(1)>',
    "';alert(2);'\"><svg onload=alert(3)>",
    "\u202egnp.txe\u2066 \x00\x1b[31m]]><!-- $\\frac{1}{0}$ &lt; " + "W" * 300,
)


@dataclass(frozen=True)
class World:
    """What to invent. A ``calm`` one has no glitch, no loss and no gap but the one before its first position."""

    seed: int = 7
    epochs: int = 2400
    rate_hz: float = 1.0
    run: int = 1
    calm: bool = False
    with_positions: bool = True
    with_time: bool = True
    with_extras: bool = True
    cut_off: bool = False
    fixed_from: float = 0.02


def make_run(world: World) -> RunInput:
    random = np.random.default_rng(world.seed)
    count = world.epochs
    seconds = np.arange(count) / world.rate_hz
    east, north, speed, course = _way(seconds, random)
    kept, void = np.ones(count, dtype=bool), np.zeros(count, dtype=bool)
    void[: int(count * world.fixed_from)] = True
    if not world.calm:
        kept[int(count * 0.42) : int(count * 0.45)] = False
        void[int(count * 0.7) : int(count * 0.72)] = True
    if not world.with_positions:
        void[:] = True
    ticks = np.rint((1.5 + seconds + random.exponential(0.004, count)) * (1 + CLOCK_PPM / 1e6) * 1e6).astype(np.int64)
    jumps = () if world.calm else (int(count * 0.3), int(count * 0.3) + 1, int(count * 0.83))
    fixes, marks, skies = [], [], []
    for index in np.flatnonzero(kept).tolist():
        utc = START_UTC + dt.timedelta(seconds=float(seconds[index]))
        fix = _fix(world, index, int(ticks[index]), utc, bool(void[index]), random)
        if not void[index]:
            off = (4000.0, 900.0) if index in jumps else (0.0, 0.0)
            at = (float(east[index]) + off[0], float(north[index]) + off[1])
            fix = _placed(fix, at, float(speed[index]), float(course[index]), random)
        fixes.append(fix)
        marks.append(_mark(world, fix, utc))
        if world.with_extras and index % max(1, int(5 * world.rate_hz)) == 0:
            skies.append(_sky(world, fix, random))
    track = Track(world.run, tuple(fixes), _counts(world, len(fixes)), tuple(skies), fit_timeline(marks))
    end_us = int(ticks[-1]) + 1_000_000
    events = make_events(world, end_us)
    losses = [event.tick_us for event in events if event.kind == "loss" and event.cause != "framing"]
    analysis = analyse(track, losses=losses, end_tick_us=end_us)
    return RunInput(_info(world, len(fixes), events), track, analysis, events, end_us)


def _way(seconds: Floats, random: np.random.Generator) -> tuple[Floats, Floats, Floats, Floats]:
    """At rest, then a long bow, then at rest again: metres, metres, m/s and degrees."""
    share = seconds / max(float(seconds[-1]), 1.0)
    speed = (
        6.0 * np.clip((share - 0.12) * 25, 0, 1) * np.clip((0.88 - share) * 25, 0, 1) * (1 + 0.25 * np.sin(share * 40))
    )
    course = 40 + 260 * np.clip((share - 0.2) / 0.6, 0, 1) + 25 * np.sin(share * 25)
    step = np.diff(seconds, prepend=seconds[0])
    wander = np.cumsum(random.normal(0, 1, (2, len(seconds))), axis=1)
    wander *= 1.5 / (float(np.abs(wander).max()) or 1.0)
    east = np.cumsum(speed * np.sin(np.radians(course)) * step) + wander[0]
    north = np.cumsum(speed * np.cos(np.radians(course)) * step) + wander[1]
    return east, north, np.abs(speed), course % 360


def _fix(world: World, index: int, tick_us: int, utc: dt.datetime, void: bool, random: np.random.Generator) -> Fix:
    day_us = ((utc.hour * 60 + utc.minute) * 60 + utc.second) * 1_000_000 + utc.microsecond
    fix = Fix(
        world.run, tick_us,
        utc=utc if world.with_time else None,
        time_of_day_us=day_us if world.with_time else None,
        fix_type="none" if void else "2d" if index % 1000 > 940 else "3d",
        fix_quality="none" if void else "differential" if index % 900 > 500 else "autonomous",
        satellites_used=0 if void else int(9 + 3 * math.sin(index / 180) + random.integers(0, 2)),
    )  # fmt: skip
    return replace(fix, satellites_in_view=17 + int(random.integers(0, 3))) if world.with_extras else fix


def _placed(fix: Fix, at: tuple[float, float], speed: float, course: float, random: np.random.Generator) -> Fix:
    noise = random.normal(0, 0.25, 3)
    hdop = 0.75 + 0.6 * abs(math.sin(fix.tick_us / 3e8)) + 0.05 * random.random()
    return replace(
        fix,
        latitude_deg=round(ORIGIN_DEG[0] + (at[1] + noise[0]) / _METRES_A_DEGREE, 7),
        longitude_deg=round(
            ORIGIN_DEG[1] + (at[0] + noise[1]) / (_METRES_A_DEGREE * math.cos(math.radians(ORIGIN_DEG[0]))), 7
        ),
        altitude_m=round(2.0 + 1.2 * math.sin(fix.tick_us / 6e6) + noise[2], 1),
        geoid_separation_m=-9.4,
        speed_m_s=round(max(0.0, speed + 0.05 * random.normal()), 2),
        course_deg=round(course, 1),
        hdop=round(hdop, 2),
        vdop=round(hdop * 1.45, 2),
        pdop=round(hdop * 1.75, 2),
        horizontal_accuracy_m=round(hdop * 1.1, 2),
        vertical_accuracy_m=round(hdop * 1.9, 2),
    )


def _mark(world: World, fix: Fix, utc: dt.datetime) -> TimeMark:
    if not world.with_time:
        return TimeMark(fix.tick_us)
    return TimeMark(fix.tick_us, fix.time_of_day_us, utc.date(), trusted=fix.has_position or not world.with_positions)


def _sky(world: World, fix: Fix, random: np.random.Generator) -> Sky:
    satellites = tuple(
        Satellite(
            ("gps", "galileo", "glonass")[number % 3], number + 1, float(random.integers(5, 85)),
            float(random.integers(0, 360)), float(random.integers(26, 48)), number < 10,
        )
        for number in range(16)
    )  # fmt: skip
    return Sky(world.run, fix.tick_us, fix.utc, satellites)


def _counts(world: World, epochs: int) -> DecodeCounts:
    counts = DecodeCounts(
        bytes_fed=epochs * 300, message_bytes=epochs * 294, line_end_bytes=epochs * 6, decoded=epochs * 4,
        bad_checksum=0 if world.calm else 3, noise_bytes=0 if world.calm else 211,
    )  # fmt: skip
    names = {"GGA": epochs, "RMC": epochs, "GSA": epochs * 2}
    counts.dialects["nmea0183"] = DialectCounts(epochs * 4, epochs * 294, names)
    return counts


def make_events(world: World, end_us: int) -> tuple[RunEvent, ...]:
    """A start and an end, supply events every ten seconds and, in a world that is not calm, losses."""
    random = np.random.default_rng(world.seed + 1)
    events = [RunEvent(world.run, 0, "run_start", "power_on", 0, "the run began (reset: power on)", 0)]
    if world.with_extras:
        for tick in range(2_000_000, end_us, 10_000_000):
            volts = int(4950 - 90 * tick / end_us + random.integers(-15, 15))
            busy = int(random.gamma(2.0, 9.0))
            events.append(RunEvent(world.run, tick, "supply", "", 0, "supply", tick, 1, volts, busy))
    if not world.calm:
        for share, cause, count in ((0.43, "ring_full", 1480), (0.431, "ring_full", 220), (0.6, "framing", 2)):
            tick = int(end_us * share)
            events.append(RunEvent(world.run, tick, "loss", cause, count, f"{count} lost: {cause}", tick))
    if not world.cut_off:
        words = "the run ended: a computer greeted the logger"
        events.append(RunEvent(world.run, end_us, "run_end", "desk", 0, words, end_us))
    return tuple(sorted(events, key=lambda event: event.tick_us))


def _info(world: World, epochs: int, events: Sequence[RunEvent]) -> RunInfo:
    start = RunStart(
        0, 1, 0, Board.ATMEGA328P_16MHZ, 0x12345678, 57_600, 4_000, WhenFull.WRAP, 4, 1_000, 10, ResetCause.POWER_ON
    )
    lost = sum(event.count for event in events if event.kind == "loss" and event.cause != "framing")
    flags = sum(event.count for event in events if event.kind == "loss" and event.cause == "framing")
    first = 1 + (world.run - 1) * 5_000
    return RunInfo(
        world.run, first, first + epochs * 300 // 484, epochs + len(events), epochs * 300, lost, flags, start,
        None if world.cut_off else RunEnd(EndReason.DESK),
    )  # fmt: skip


def make_verify(runs: Sequence[RunInput], label: str = "harbour trial", damaged: int = 0) -> VerifyReport:
    """What verify would say of these runs."""
    header = JournalHeader(WhenFull.WRAP, 0x1BADCAFE, 65_536, 57_600, 4, 1_000, 10, 1_773_000_000, label)
    blocks = BlockCounts(intact=sum(run.info.last_block - run.info.first_block + 1 for run in runs), damaged=damaged)
    last = max((run.info.last_block for run in runs), default=None)
    report = VerifyReport("journal", 33_554_432, Status.OK, header, 0x1BADCAFE, blocks, 1, last)
    report.runs = tuple(run.info for run in runs)
    for number in range(damaged):
        _add_damage(report, 900 + number, "bad_check", "damaged: the block's check is wrong")
    return report


def _add_damage(report: VerifyReport, position: int, reason: str, text: str) -> None:
    report.findings.append(Finding("damage", position, 1, position * BLOCK_SIZE, reason, text))
    report.damage += 1


def make_input(*worlds: World, label: str = "harbour trial", source: str = "day1.jnl", damaged: int = 0) -> ReportInput:
    """A journal of these worlds."""
    runs = tuple(make_run(world) for world in worlds)
    return ReportInput(source, make_verify(runs, label, damaged), runs)


def make_hostile() -> ReportInput:
    """A journal whose every text tries to be more than text, and whose figures are beyond any vehicle."""
    run = make_run(World(seed=5, epochs=600))
    bad, worse, worst = HOSTILE
    fixes = [
        replace(fix, fix_quality=bad if place % 3 else worst, fix_type="3d")
        for place, fix in enumerate(run.track.fixes)
    ]
    fixes[100] = replace(fixes[100], altitude_m=1e308, speed_m_s=math.inf, hdop=-1e300, horizontal_accuracy_m=0.0)
    fixes[101] = replace(fixes[101], latitude_deg=1e9, longitude_deg=-1e12, satellites_used=10**30)
    fixes[102] = replace(fixes[102], latitude_deg=math.nan, longitude_deg=10.0, speed_m_s=math.nan)
    counts = replace(run.track.counts, unknown_names={bad: 3, worse: 2, worst: 1})
    counts.dialects[worse] = DialectCounts(3, 30, {bad: 2, worst: 1})
    assert run.track.timeline is not None
    glitches = tuple(
        replace(one, text=HOSTILE[place % 3], evidence=((bad, 1.0), (worst, math.inf)))
        for place, one in enumerate(run.analysis.glitches)
    )
    analysis = replace(run.analysis, glitches=glitches, quality_counts=((bad, 3), (worst, 4)))
    events = (*run.events, *(RunEvent(1, 5_000_000, "loss", text, 9, text, 5_000_000) for text in HOSTILE))
    timeline = replace(run.track.timeline, notes=HOSTILE)
    track = replace(run.track, fixes=tuple(fixes), counts=counts, timeline=timeline)
    hostile = replace(run, track=track, analysis=analysis, events=events)
    verify = make_verify((hostile,))
    assert verify.header is not None
    verify.header = replace(verify.header, label=bad)
    for text in HOSTILE:
        _add_damage(verify, 7, text, text)
    return ReportInput(f"{worse}/../../{worst}.jnl", verify, (hostile,))
