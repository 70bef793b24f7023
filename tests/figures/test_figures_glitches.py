"""A short run of the glitch table, through fixes and through real sentences, and that its limits can be crossed."""

from __future__ import annotations

from functools import reduce
from operator import xor

import glitch_table
import pytest
from glitch_plants import KINDS, Score, World, judge, make_world
from glitch_table import REPORTED_SEED, Table, crossed, false_per_hour, measure
from glitch_worlds import VEHICLES, Receiver, fixes_of, observe
from numpy.random import default_rng
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.stream import StreamChunk, decode_stream
from offtake.track.analyse import analyse
from offtake.track.analysis import Analysis
from offtake.track.build import track_of
from offtake.track.bulk_epochs import EpochBatch
from offtake.track.contribution import KNOT_M_S
from offtake.track.epochs import group_epochs
from offtake.track.fix import Fix, Track
from offtake.track.limits import Limits


def test_a_short_table_holds_the_limits(capsys: pytest.CaptureFixture[str]) -> None:
    table = measure(REPORTED_SEED, 1, duration_s=600.0, sweep=())
    assert crossed(table) == []
    assert min(table.planted.planted[kind] for kind in KINDS) >= 15
    assert table.clean.hours > 2.4
    glitch_table.print_table(table)
    assert max(len(line) for line in capsys.readouterr().out.splitlines()) <= 80


def test_limits_can_be_crossed() -> None:
    table = Table(clean=Score(hours=2.0))
    table.planted.planted["jump"], table.planted.found["jump"] = 20, 18
    table.clean.extra["frozen"] = 3
    assert [sentence.split(":")[0] for sentence in crossed(table)] == ["jump", "1.50 false alarms an hour, limit 1"]


@pytest.mark.parametrize(
    ("limits", "what"),
    [
        (Limits(noise_factor=40.0, jump_least_m=60.0), "jump"),
        (Limits(frozen_m=500.0), "frozen"),
        (Limits(gap_s=30.0), "dropout"),
        (Limits(clock_step_s=100.0), "time_step"),
        (Limits(noise_factor=2.5, jump_least_m=0.3), "false alarms an hour"),
    ],
)
def test_an_analysis_that_is_too_dull_or_too_keen_crosses_them(
    monkeypatch: pytest.MonkeyPatch, limits: Limits, what: str
) -> None:
    def analysis(world: World) -> Analysis:
        return analyse(Track(1, tuple(world.fixes)), losses=world.losses, limits=limits)

    monkeypatch.setattr(World, "analysis", analysis)
    (sentence,) = crossed(measure(REPORTED_SEED, 1, duration_s=400.0, sweep=()))
    assert what in sentence


def test_a_fault_that_is_not_there_is_missed_and_one_nobody_planted_is_extra() -> None:
    world = make_world(VEHICLES[2], 1, 5, duration_s=600.0, planted=True)
    clean = make_world(VEHICLES[2], 1, 5, duration_s=600.0, planted=False)
    score = judge(World(world.vehicle, world.receiver, 1, 5, clean.fixes, world.plants))
    assert sum(score.found.values()) == 0
    assert len(score.missed) == sum(score.planted.values()) > 3
    world.plants.clear()
    assert sum(judge(world).extra.values()) > 2
    assert false_per_hour(Table(clean=judge(world))) > 1


def sentences(fix: Fix) -> bytes:
    """GGA and RMC of one epoch."""
    assert fix.time_of_day_us is not None
    seconds = fix.time_of_day_us / 1e6
    time = f"{int(seconds // 3600):02d}{int(seconds // 60 % 60):02d}{seconds % 60:05.2f}"
    place = ",,,"
    if fix.latitude_deg is not None and fix.longitude_deg is not None:
        place = f"{angle(fix.latitude_deg, 2)},{'N' if fix.latitude_deg >= 0 else 'S'},"
        place += f"{angle(fix.longitude_deg, 3)},{'E' if fix.longitude_deg >= 0 else 'W'}"
    speed = "" if fix.speed_m_s is None else f"{fix.speed_m_s / KNOT_M_S:.2f}"
    course = "" if fix.course_deg is None else f"{fix.course_deg:.2f}"
    quality, status, mode = ("1", "A", "A") if fix.has_position else ("0", "V", "N")
    bodies = (
        f"GNGGA,{time},{place},{quality},09,{fix.hdop:.2f},10.0,M,5.0,M,,",
        f"GNRMC,{time},{status},{place},{speed},{course},040531,,,{mode},V",
    )
    return b"".join(f"${body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode() for body in bodies)


def angle(degrees: float, width: int) -> str:
    units = round(abs(degrees) * 60 * 10**5)
    whole, rest = divmod(units, 60 * 10**5)
    return f"{whole:0{width}d}{rest // 10**5:02d}.{rest % 10**5:05d}"


@pytest.mark.parametrize("name", ["car", "walker", "stationary"])
def test_real_sentences_show_the_same(name: str) -> None:
    (vehicle,) = (one for one in VEHICLES if one.name == name)
    world = make_world(vehicle, 1, 3, duration_s=900.0, planted=True)
    chunks = [StreamChunk(fix.tick_us, sentences(fix), False) for fix in world.fixes]
    epochs = list(group_epochs(decode_stream(chunks, StreamDecoder(chosen_dialects()), 57_600), 1))
    through_text = track_of(EpochBatch.of(epochs, 1), 1)
    direct = world.analysis()
    found = analyse(through_text, losses=world.losses)
    assert len(through_text.fixes) == len(world.fixes)
    assert [(one.kind, one.first, one.last) for one in found.glitches] == [
        (one.kind, one.first, one.last) for one in direct.glitches
    ]
    assert [(one.reason, one.first, one.last) for one in found.gaps] == [
        (one.reason, one.first, one.last) for one in direct.gaps
    ]
    assert found.distance_m == pytest.approx(direct.distance_m, abs=0.01)
    assert len(direct.glitches) >= 4


def test_the_same_seed_is_the_same_world() -> None:
    receiver = Receiver()
    first, second = (fixes_of(observe(VEHICLES[0], receiver, 5, 20.0, default_rng(1)), receiver) for _ in range(2))
    assert first == second
    assert Track(1, tuple(first)).fixes[0].utc is not None
