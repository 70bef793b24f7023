"""A run of a journal in parts: what it is as a whole, with its events, from one passage over its frames."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from counted_source import Counted
from damage_ways import WAYS
from journal_maker import Maker, run_start
from offtake.generated.records import EndReason, Loss, LossCause, Raw, RunEnd, RunStart, Supply
from offtake.jobs.runs import Hearing, RunPart, read_run, run_parts
from offtake.journal.bulk import window
from offtake.journal.index import index_of
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import ByteSource, BytesSource
from offtake.track import parts
from offtake.track.fixes import FixColumns
from report_inputs import epochs

HOW = Hearing()


def journal(seconds: int, seed: int = 6) -> bytes:
    """One invented run with losses and supply frames in it."""
    maker = Maker(8192)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
    for number, (at, data) in enumerate(epochs(seconds, 5, random.Random(seed))):
        tick = round(at * 250_000)
        for index, start in enumerate(range(0, len(data), 400)):
            maker.block(tick + index * 17_361, [(Raw.CODE, 0, data[start : start + 400])])
        if number % 50 == 49:
            maker.block(tick + 40_000, [(Supply.CODE, 0, Supply(4990, 30 + number % 200).encode())])
        if number % 400 == 120:
            maker.block(tick + 40_000, [(Loss.CODE, 0, Loss(LossCause.RING_FULL, 77).encode())])
    maker.block(tick + 50_000, [(RunEnd.CODE, 0, RunEnd(EndReason.DESK).encode())])
    return maker.used()


def salvaged(source: ByteSource) -> Salvage:
    found = salvage(source)
    found.index = index_of(found)
    return found


def in_parts(found: Salvage, size: int, overlap: int, monkeypatch: pytest.MonkeyPatch) -> list[RunPart]:
    monkeypatch.setattr(parts, "PART_EPOCHS", size)
    monkeypatch.setattr(parts, "OVERLAP_EPOCHS", overlap)
    return list(run_parts(found, found.runs()[0], HOW))


def check(data: bytes, size: int, monkeypatch: pytest.MonkeyPatch) -> int:
    found = salvaged(BytesSource(data))
    if not found.runs():
        return 0
    whole = read_run(found, found.runs()[0], HOW, measured=False)
    made = in_parts(found, size, 150, monkeypatch)
    assert FixColumns.concat([part.track.fixes for part in made]) == whole.track.fixes
    assert [sky for part in made for sky in part.track.skies] == list(whole.track.skies)
    assert Counter(event for part in made for event in part.events) == Counter(whole.events)
    for part in made[:-1]:
        assert all(event.tick_us < part.until_tick_us for event in part.events)
    assert made[-1].end_tick_us == whole.end_tick_us
    assert made[-1].track.counts == whole.track.counts
    assert made[-1].track.notes == whole.track.notes
    listed = [(one.kind, one.first, one.last) for part in made for one in part.glitches]
    assert listed == [(one.kind, one.first, one.last) for one in whole.analysis.glitches]
    gaps = [(one.first, one.last, one.start_tick_us, one.end_tick_us) for part in made for one in part.gaps]
    assert gaps == [(one.first, one.last, one.start_tick_us, one.end_tick_us) for one in whole.analysis.gaps]
    if len(made) == 1:
        (part,) = made
        assert (part.analysis, part.events) == (whole.analysis, whole.events)
        assert (part.gaps, part.glitches) == (whole.analysis.gaps, whole.analysis.glitches)
    return len(made)


@pytest.mark.parametrize("size", [10_000, 600, 250])
def test_parts_are_the_whole(size: int, monkeypatch: pytest.MonkeyPatch) -> None:
    assert check(journal(300), size, monkeypatch) == -(-1500 // size)


@pytest.mark.parametrize("seed", range(6))
def test_a_damaged_run_in_one_part_is_the_whole(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((16, 100, 4096)))
    data = bytearray(journal(60, seed))
    for way in rng.sample(WAYS, 2):
        way(data, rng)
    check(bytes(data), 10_000, monkeypatch)


def test_a_run_without_a_fix_gives_its_events(monkeypatch: pytest.MonkeyPatch) -> None:
    maker = Maker(16)
    maker.run = 1
    maker.block(0, [(RunStart.CODE, 0, run_start().encode())])
    maker.block(250_000, [(Supply.CODE, 0, Supply(4990, 30).encode())])
    (part,) = in_parts(salvaged(BytesSource(maker.used())), 500, 50, monkeypatch)
    assert len(part.track.fixes) == 0
    assert [event.kind for event in part.events] == ["run_start", "supply"]
    assert part.end_tick_us == 1_000_000


def test_the_frames_are_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    data = journal(120)
    source = Counted(data)
    found = salvaged(source)
    info = found.runs()[0]
    source.given = 0
    in_parts(found, 200, 50, monkeypatch)
    assert source.given <= len(data)
    source.given = 0
    read_run(found, info, HOW)
    assert source.given <= len(data)


def test_a_stretch_of_a_run_has_the_rows_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    source = Counted(journal(300))
    found = salvaged(source)
    info = found.runs()[0]
    whole = read_run(found, info, HOW, measured=False).track
    assert found.index is not None
    numbers = found.index.numbers(info.run, 100_000_000, 130_000_000)
    assert numbers is not None
    source.given = 0
    (part,) = run_parts(found, info, HOW, numbers, known=whole.timeline)
    assert source.given <= (numbers[1] - numbers[0] + 1) * 512
    asked = (whole.fixes.tick_us >= 100_000_000) & (whole.fixes.tick_us <= 130_000_000)
    rows = np.flatnonzero(np.isin(part.track.fixes.tick_us, whole.fixes.tick_us[asked]))
    inside, expected = part.track.fixes.taken(rows), whole.fixes.taken(asked)
    assert len(inside) == len(expected) > 140
    # Offsets count from the first byte that was read.
    bare = [replace(fix, source_offsets=()) for fix in inside]
    assert bare == [replace(fix, source_offsets=()) for fix in expected]
