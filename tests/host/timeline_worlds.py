"""Simulated runs for the time line: a logger's clock, a receiver that tells the time in its own way, and the truth."""

from __future__ import annotations

import datetime as dt
import random
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from offtake.track.leap import DAY_S, WEEK_S, gps_from_posix, posix_from_gps
from offtake.track.timeline import TimeLine, fit_timeline
from offtake.track.timemark import TimeMark

Floats = NDArray[np.float64]
WRAP_US = 2**32 * 4


@dataclass(frozen=True)
class World:
    """One run. Seconds and parts per million; `tells`: tod (date in every tenth epoch), date, week, week10, tow."""

    name: str
    start: dt.datetime = dt.datetime(2024, 5, 17, 9, 12, 30, tzinfo=dt.UTC)
    seconds: float = 900.0
    rate_hz: float = 1.0
    offset_ppm: float = 0.0
    sweep_ppm: float = 0.0
    sweep_s: float = 900.0
    jitter_ms: float = 3.0
    late_share: float = 0.0
    late_ms: float = 300.0
    missing_share: float = 0.0
    gaps: tuple[tuple[float, float], ...] = ()
    tells: str = "tod"
    power_before_s: float = 1.5
    default_s: float = 0.0
    """So long after its start the receiver tells a default date and time."""
    no_date_s: float = 0.0
    leap_unknown_s: float = 0.0
    """So long it believes in two leap seconds fewer."""
    silent_wraps: int = 0
    """A gap whose ticks went round so often unseen begins at half time."""
    latency_s: float = 0.0
    early_share: float = 0.0
    early_ms: float = 30.0
    """Marks that another epoch's bytes were taken for: early, not late."""
    loss_share: float = 0.0
    """So many marks stand after a loss, and are early or late."""
    spells: tuple[tuple[float, float], ...] = ()
    spell_ms: float = 50.0
    """From, until: all epochs late."""
    hundredths: bool = False
    """Times are rounded to hundredths."""
    seed: int = 1


@dataclass
class Told:
    """The marks of a world, and the truth: seconds since the GPS epoch against the logger's seconds."""

    marks: list[TimeMark]
    tick_s: Floats
    true_s: Floats
    wraps_from_s: float | None = None
    ticks_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))


def tell(world: World) -> Told:
    """What the logger sees of `world`; the same for the same world."""
    rng = np.random.default_rng(world.seed)
    start = float(gps_from_posix(np.array([world.start.timestamp()]))[0])
    span = world.seconds + world.power_before_s + 5.0
    # The logger's clock, second by second: an offset, and a rate that swings as a warming board's does.
    t = np.arange(0.0, span + 1.0, 1.0)
    rate = 1.0 + 1e-6 * (world.offset_ppm + world.sweep_ppm * np.sin(2 * np.pi * t / world.sweep_s))
    logger = np.concatenate(([0.0], np.cumsum((rate[1:] + rate[:-1]) / 2)))
    epochs = np.arange(0.0, world.seconds, 1.0 / world.rate_hz)
    keep = rng.random(len(epochs)) >= world.missing_share
    for begin, end in world.gaps:
        keep &= (epochs < begin) | (epochs >= end)
    half = world.seconds / 2
    hole = world.silent_wraps * WRAP_US / 1e6 / (1 + world.offset_ppm * 1e-6)
    delay = rng.exponential(world.jitter_ms / 1e3, len(epochs)) if world.jitter_ms else np.zeros(len(epochs))
    late = rng.random(len(epochs)) < world.late_share
    delay += np.where(late, rng.exponential(world.late_ms / 1e3, len(epochs)), 0.0)
    for begin, end in world.spells:
        delay[(epochs >= begin) & (epochs < end)] += world.spell_ms / 1e3
    strays = np.random.default_rng(world.seed + 1)
    early = strays.random(len(epochs)) < world.early_share
    lossy = strays.random(len(epochs)) < world.loss_share
    delay -= np.where(early, strays.exponential(world.early_ms / 1e3, len(epochs)), 0.0)
    delay += np.where(lossy, strays.normal(0.0, 0.05, len(epochs)), 0.0)
    marks: list[TimeMark] = []
    for number in np.flatnonzero(keep):
        since = float(epochs[number])
        silent = hole if since >= half else 0.0
        sent = world.power_before_s + since + world.latency_s + float(delay[number])
        tick = float(np.interp(sent, t, logger))
        told = round(start + since + silent, 2) if world.hundredths else start + since + silent
        mark = _mark(world, round(tick * 250_000) * 4, told, since, int(number))
        marks.append(replace(mark, after_loss=bool(lossy[number])))
    marks.sort(key=lambda mark: mark.tick_us)
    ticks = np.sort(rng.uniform(0.0, logger[-1], 2000))
    # The hole: truth goes on, ticks do not show it. The clock is taken as right within it.
    silent_from = float(np.interp(world.power_before_s + half, t, logger))
    true = start - world.power_before_s + np.interp(ticks, logger, t) + np.where(ticks >= silent_from, hole, 0.0)
    outside = (
        np.abs(ticks - silent_from) > 2.0 + 5.0 / world.rate_hz if world.silent_wraps else np.ones(len(ticks), bool)
    )
    return Told(marks, ticks[outside], true[outside], ticks_us=np.rint(ticks[outside] * 1e6).astype(np.int64))


def _mark(world: World, tick_us: int, gps_s: float, since: float, number: int) -> TimeMark:
    whole = float(gps_s // 1)
    leap_second = posix_from_gps(np.array([whole]))[0] == posix_from_gps(np.array([whole + 1]))[0]
    utc_s = float(posix_from_gps(np.array([whole]))[0]) + gps_s - whole
    leap = round(gps_s - utc_s - gps_from_posix(np.zeros(1))[0])
    if leap_second:
        utc_s -= 1  # shown below as 23:59:60 of the day that ends
    if since < world.default_s:
        utc_s = dt.datetime(2009, 3, 1, tzinfo=dt.UTC).timestamp() + since
    if since < world.leap_unknown_s:
        utc_s += 2.0
        leap -= 2
    trusted = since >= world.default_s
    day, second = divmod(utc_s, DAY_S)
    date = dt.date(1970, 1, 1) + dt.timedelta(days=int(day))
    micros = round((second + leap_second) * 1e6)
    if world.tells in ("tod", "date"):
        says_date = since >= world.no_date_s and (world.tells == "date" or number % 10 == 0)
        return TimeMark(tick_us, micros, date if says_date else None, trusted=trusted)
    week, tow = divmod(gps_s if trusted else since, WEEK_S)
    tow_us = round(tow * 1e6)
    if world.tells == "week":
        return TimeMark(tick_us, week=int(week), time_of_week_us=tow_us, leap_s=leap, trusted=trusted)
    if world.tells == "week10":
        dated = date if number % 50 == 7 else None
        tod = micros if dated else None
        return TimeMark(tick_us, tod, dated, int(week) % 1024, 10, tow_us, leap, trusted=trusted)
    return TimeMark(tick_us, micros if number % 5 == 0 else None, date if number % 25 == 0 else None,
                    time_of_week_us=tow_us, leap_s=leap if number % 5 == 0 else None, trusted=trusted)  # fmt: skip


def errors_s(world: World) -> tuple[Floats, Floats, TimeLine]:
    """Error of the stamps of two thousand random bytes over the run, their uncertainties, and the line."""
    told = tell(world)
    line = fit_timeline(told.marks, latency_s=world.latency_s)
    utc, uncertainty = line.stamp_many(told.ticks_us)
    error = line.gps_seconds(line.tick_seconds(told.ticks_us)) - told.true_s
    # What is shown is UTC: the same error again, to the microsecond shown, unless a leap second is at hand.
    shown = utc.astype(np.int64) / 1e6 - posix_from_gps(told.true_s)
    near = np.abs(shown - error) > 2e-6
    assert not near.any() or (world.name.startswith("a leap second") and near.sum() < 20)
    return error, uncertainty, line


def at(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


_WORLDS = (
    World("plain"),
    World("half a per cent fast", offset_ppm=5000),
    World("half a per cent slow", offset_ppm=-5000, jitter_ms=10),
    World("warming up", offset_ppm=2000, sweep_ppm=150, sweep_s=3600, seconds=3600, jitter_ms=5),
    World("ten a second", rate_hz=10, jitter_ms=5, offset_ppm=-3000, seconds=300),
    World("much jitter", jitter_ms=30, seconds=1800, offset_ppm=800),
    World("late bursts", late_share=0.1, late_ms=400, seconds=1800),
    World("a third missing", missing_share=0.33, seconds=1800, offset_ppm=-1200),
    World("gaps", gaps=((100, 220), (400, 410), (600, 780)), offset_ppm=4000, seconds=1200),
    World("over midnight", start=at("2024-02-28T23:53:00"), tells="tod"),
    World("over new year", start=at("2023-12-31T23:55:00"), tells="date"),
    World("first week roll-over", start=at("1999-08-21T23:52:00"), tells="week"),
    World("second week roll-over", start=at("2019-04-06T23:50:00"), tells="week10"),
    World("third week roll-over", start=at("2038-11-20T23:50:00"), tells="week10"),
    World("a leap second by weeks", start=at("2016-12-31T23:52:00"), tells="week"),
    World("a leap second by time of day", start=at("2016-12-31T23:52:00"), tells="date"),
    World("time of week", tells="tow", offset_ppm=300),
    World("defaults first", default_s=120, seconds=1200, tells="date"),
    World("date late", no_date_s=300, seconds=900),
    World("leap seconds learnt", leap_unknown_s=300, seconds=1500, tells="tod"),
    World("ticks went round", silent_wraps=1, seconds=1200, offset_ppm=0),
    World("a day", seconds=86_400, rate_hz=1, offset_ppm=3500, sweep_ppm=200, sweep_s=20_000, jitter_ms=4),
    World("short", seconds=40, offset_ppm=4000),
    World("known latency", latency_s=0.08, offset_ppm=-2500),
    World("very much jitter", jitter_ms=100, seconds=3600, offset_ppm=-700, tells="date"),
    World("one in a hundred early", early_share=0.01, seconds=1800, offset_ppm=900, tells="date"),
    World("marks after losses", loss_share=0.05, seconds=1800, offset_ppm=900, tells="date"),
    World("late for two minutes", spells=((300, 420),), seconds=1200, offset_ppm=-900),
    World("late at both ends", spells=((0, 25), (1170, 1200)), spell_ms=80, seconds=1200),
    World("late now and then", spells=tuple((n, n + 60.0) for n in range(200, 1700, 300)), seconds=1800),
    World("three a second, rounded", hundredths=True, rate_hz=3, tells="date", offset_ppm=60),
    World("eight a second, rounded", hundredths=True, rate_hz=8, tells="date", offset_ppm=-60),
    World("silent for a day", silent_wraps=5, seconds=1200, tells="date"),
    World("silent for a week", silent_wraps=35, seconds=1200, tells="week"),
)
WORLDS = tuple(replace(world, seed=number) for number, world in enumerate(_WORLDS, start=1))


def ragged_world(seed: int) -> World:
    """Everything that a receiver, a line and a clock may do, by chance and all at once; the same for the same seed.

    What no line can make good is left out: epochs seconds apart with much jitter, and a third of a run before the
    first time.
    """
    draw = random.Random(seed)
    seconds = draw.choice([300, 900, 1200, 3600])
    rate_hz = draw.choice([0.2, 1, 1, 1, 2, 5, 10]) if seconds <= 1200 else draw.choice([1, 2])
    tells = draw.choice(["tod", "date", "week", "week10", "tow"])
    if tells == "week10":
        # Its date comes in every fiftieth epoch only: some must be there.
        rate_hz = max(rate_hz, 1)
    years = 2005 if tells == "week10" else 1985
    span = 1_200_000_000 if years < 2000 else 600_000_000
    start = at(f"{years}-01-01T00:00:00") + dt.timedelta(seconds=draw.randrange(span))
    if draw.random() < 0.3:
        start = start.replace(hour=23, minute=60 - max(1, seconds // 120), second=draw.randrange(60))
    dense = rate_hz >= 1 and seconds > 300
    begin = draw.uniform(100, 500)
    wraps = draw.choice([0, 0, 0, 0, 1, 2, 5, 9]) if tells in ("date", "week") and seconds < 3600 else 0
    return World(
        f"ragged {seed}", start=start, seconds=seconds, rate_hz=rate_hz, tells=tells, silent_wraps=wraps,
        offset_ppm=draw.uniform(-5000, 5000), sweep_ppm=draw.choice([0, 50, 150]), sweep_s=draw.uniform(1800, 4000),
        jitter_ms=draw.choice([0, 1, 3, 10, 20]) if dense else draw.choice([0, 1, 3]),
        late_share=draw.choice([0, 0, 0.05, 0.2]), missing_share=draw.choice([0, 0, 0.1, 0.4]),
        gaps=((300, 300 + draw.uniform(0, 200)),) if seconds > 900 and draw.random() < 0.5 else (),
        default_s=draw.choice([0, 0, 60]) if dense and tells != "tow" else 0, no_date_s=draw.choice([0, 0, 100]),
        leap_unknown_s=draw.choice([0, 0, 100]) if tells in ("date", "week") else 0,
        early_share=draw.choice([0, 0, 0.005, 0.01]) if dense else 0, loss_share=draw.choice([0, 0, 0.02, 0.1]),
        spells=((begin, begin + draw.uniform(20, 200)),) if dense and draw.random() < 0.25 else (), seed=seed,
    )  # fmt: skip
