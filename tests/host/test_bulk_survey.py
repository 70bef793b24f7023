"""The survey of tables tells what the survey frame by frame tells, however the frames are cut into tables."""

from __future__ import annotations

import random

import numpy as np
import pytest
from frame_tables import frame_table
from journal_maker import run_start
from measured_logs import own_descriptions
from numpy.typing import NDArray
from offtake.generated.records import (
    Analogue,
    Description,
    EndReason,
    Event,
    Level,
    Loss,
    LossCause,
    PressureConstants,
    Pulses,
    Raw,
    RunEnd,
    RunStart,
    Supply,
)
from offtake.journal import oddities, survey
from offtake.journal.frames import Frame
from offtake.journal.survey import Survey
from offtake.native import OFF
from scalar_survey import ScalarSurvey, told

# code 100, "soil": a u16, an i8 with choices, an array of three i16.
SOIL = bytes([1, 100, 4]) + b"soil" + bytes([0x01, 1]) + b"m" + bytes([0x83, 1]) + b"c" + bytes([2, 0, 1]) + b"a"
SOIL += bytes([1, 1]) + b"b" + bytes([0x14, 1]) + b"v" + bytes([3])
SOIL_TOO = SOIL.replace(b"soil", b"clay")
# code 9, "event", with a third choice, and code 8, "analogue", with one field.
EVENT = bytes([1, Event.CODE, 5]) + b"event" + bytes([0x80, 5]) + b"level" + bytes([3])
EVENT += b"".join(bytes([value, len(name)]) + name for value, name in ((0, b"low"), (1, b"high"), (2, b"open")))
ANALOGUE = bytes([1, Analogue.CODE, 8]) + b"analogue" + bytes([1, 1]) + b"x"


def payload_of(rng: random.Random) -> tuple[int, bytes]:
    """A frame of any message, now and then one that nobody can read."""
    kind = rng.randrange(16)
    if kind == 0:
        described = rng.choice((SOIL, SOIL_TOO, EVENT, ANALOGUE, b"\x07none", *own_descriptions()))
        return Description.CODE, described
    if kind == 1:
        start = run_start().encode()
        return RunStart.CODE, rng.choice((start, start[:5], start[:12] + (8000).to_bytes(4, "little") + start[16:]))
    if kind == 2:
        return Loss.CODE, Loss(rng.choice(list(LossCause)), rng.randrange(2**32)).encode()[: rng.choice((5, 5, 5, 3))]
    if kind == 3:
        return rng.choice(((Loss.CODE, b"\x63\1\0\0\0"), (RunEnd.CODE, RunEnd(EndReason.DESK).encode())))
    if kind == 4:
        return PressureConstants.CODE, bytes([rng.randrange(4)]) * 24
    if kind in (5, 6):
        return 100, rng.randbytes(rng.randrange(12))
    if kind == 7:
        return Event.CODE, Event(rng.choice(list(Level)), 3).encode() if rng.random() < 0.7 else bytes(
            [rng.randrange(4)]
        )
    if kind == 8:
        return rng.choice(((99, b"abc"), (Pulses.CODE, Pulses(1, 2).encode()), (Supply.CODE, Supply(5000, 1).encode())))
    if kind == 9:
        return rng.choice((Raw.CODE, 3)), rng.randbytes(rng.randrange(60))
    return Analogue.CODE, Analogue(rng.randrange(9), 7).encode()[: rng.choice((4, 4, 4, 4, 2, 0))]


def made_frames(rng: random.Random, count: int, runs: int) -> list[Frame]:
    """Frames of ``runs`` runs mixed up; some of no certain run or tick, some of none at all."""
    ticks = [rng.randrange(2**32) for _ in range(runs)]
    found = []
    for index in range(count):
        run = rng.randrange(runs)
        ticks[run] = (ticks[run] + rng.choice((0, 10, 4000, 5000, 9000, 300_000, -20, 2**31 + 5))) % 2**32
        code, payload = payload_of(rng)
        sure, likely = rng.random() < 0.9, rng.random() < 0.7
        shown = run + 1 if sure else None
        header = run + 1 if sure or likely else None
        tick = ticks[run] if sure and rng.random() < 0.97 else None
        number = 1 + index // 5 if rng.random() < 0.98 else rng.randrange(1, 999)
        found.append(
            Frame(number, 512 * number, 9, 1, number, code, 0, payload, shown, tick, header, tick, sure, False)
        )
    return found


@pytest.mark.parametrize("seed", range(12))
def test_tables_tell_what_frames_tell(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(OFF, "1" if seed % 2 else "")
    # Few rows are read one by one, here none, some or all.
    for module in (survey, oddities):
        monkeypatch.setattr(module, "_FEW", (0, 8, 10**6)[seed % 3])
    rng = random.Random(seed)
    frames = made_frames(rng, 600, rng.choice((1, 2, 7)))
    bulk, scalar = Survey(), ScalarSurvey()
    at = 0
    while at < len(frames):
        part = frames[at : at + rng.choice((1, 30, 200, 400))]
        at += len(part)
        bulk.add_table(frame_table(part))
        for frame in part:
            scalar.add(frame)
        assert told(bulk) == told(scalar)


def steady(rng: random.Random, count: int) -> list[Frame]:
    """One message that comes in spells, often enough to be looked at in hundreds."""
    tick = rng.randrange(2**32)
    found = []
    for index in range(count):
        tick += rng.choice((100, 500, 2000)) if index % 500 < 400 else 100_000
        payload = rng.choice((Analogue(1, 2).encode(), b"\0\0"))
        found.append(
            Frame(1, 512, 9, 1, 1 + index // 30, Analogue.CODE, 0, payload, 1, tick % 2**32, 1, 0, True, False)
        )
    return found


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("rows", [40, 333, 5000])
def test_the_most_frames_in_a_second_are_counted_across_tables(
    seed: int, rows: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(OFF, "1" if seed % 2 else "")
    frames = steady(random.Random(seed), 5000)
    bulk, scalar = Survey(), ScalarSurvey()
    for at in range(0, len(frames), rows):
        bulk.add_table(frame_table(frames[at : at + rows]))
    for frame in frames:
        scalar.add(frame)
    (odd,) = bulk.oddities(1)
    assert odd.kind == "too_often"
    assert told(bulk) == told(scalar)


def in_one_run(payloads: list[tuple[int, bytes]]) -> list[Frame]:
    return [
        Frame(1, 512, 9, 1, 1, code, 0, payload, 1, index, 1, index, True, False)
        for index, (code, payload) in enumerate(payloads)
    ]


@pytest.mark.parametrize("again", [(7, SOIL), (7, SOIL_TOO), (RunStart.CODE, run_start().encode())])
def test_what_is_said_again_does_not_cut_what_is_measured(again: tuple[int, bytes]) -> None:
    """Else a file of such frames by turns with measurements takes ten times as long."""
    frames = in_one_run([(7, SOIL), *[again, (100, b"ab")] * 500])
    shown: list[int] = []
    bulk, scalar = Survey(), ScalarSurvey()
    bulk.add_table(frame_table(frames), lambda rows, run, code: shown.append(len(rows)))
    for frame in frames:
        scalar.add(frame)
    assert told(bulk) == told(scalar)
    assert shown == [500]


@pytest.mark.parametrize("ticks", [(5000, 8000, 5000), (8000, 5000, 8000)])
def test_a_start_that_says_otherwise_counts_from_where_it_stands(ticks: tuple[int, ...]) -> None:
    start = run_start().encode()
    starts = [start[:12] + ns.to_bytes(4, "little") + start[16:] for ns in ticks]
    measured = [(Analogue.CODE, Analogue(1, 2).encode())] * 5
    payloads = [one for begun in starts for one in [(RunStart.CODE, begun), *measured]]
    frames = [frame._replace(tick=index * 30_000) for index, frame in enumerate(in_one_run(payloads))]
    bulk, scalar = Survey(), ScalarSurvey()
    bulk.add_table(frame_table(frames))
    for frame in frames:
        scalar.add(frame)
    assert bulk._oddities.state() == scalar._oddities.state()
    assert bulk._oddities._tick_ns == {1: ticks[-1]}


def test_rows_of_measurements_are_shown_with_the_layouts_before_them() -> None:
    frames = in_one_run(
        [
            (100, b"ab"),
            (7, SOIL),
            *[(100, b"ab")] * 40,
            (7, EVENT),
            (7, ANALOGUE),
            (Event.CODE, b"\0\0\0"),
            (2, b"x"),
        ]
    )
    shown: list[tuple[list[int], int, int, bool]] = []
    found = Survey()

    def before(rows: NDArray[np.int64], run: int, code: int) -> None:
        shown.append((rows.tolist(), run, code, found.layouts.of(1, 100) is None))

    found.add_table(frame_table(frames), before)
    assert shown == [([0], 1, 100, True), (list(range(2, 42)), 1, 100, False), ([44], 1, Event.CODE, False)]
