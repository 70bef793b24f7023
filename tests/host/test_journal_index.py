"""The index tells of a journal what salvage tells, and where the blocks of a run or of a span of time lie."""

from __future__ import annotations

import json
import random
from collections.abc import Callable

import numpy as np
import pytest
from counted_source import Counted
from damage_ways import WAYS, damaged
from journal_maker import Maker
from measured_logs import Log
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Raw
from offtake.journal.bulk.times import timed_tables
from offtake.journal.codec import seal
from offtake.journal.index import JournalIndex, index_of, restored, state_of
from offtake.journal.ladder import RUNG_BLOCKS
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from scalar_frames import one_by_one, timed_frames
from scalar_survey import told

Way = Callable[[bytearray, random.Random], None]


def again(index: JournalIndex) -> JournalIndex:
    """The index as a file gives it back."""
    return restored(json.loads(json.dumps(state_of(index))), index.order.extents.copy(), index.rungs.copy())


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_salvage_with_an_index_is_salvage_without(way: Way, seed: int) -> None:
    data = damaged(seed, way, random.Random(seed).choice(WAYS))
    plain = salvage(BytesSource(data))
    index = again(index_of(plain))
    source = Counted(data)
    found = salvage(source, index=index)
    assert source.given <= BLOCK_SIZE, "an index spares the passage over the file"
    assert (found.account, found.lap, found.header, found.header_status) == (
        plain.account, plain.lap, plain.header, plain.header_status,
    )  # fmt: skip
    assert (found.journal_id, found.id_from) == (plain.journal_id, plain.id_from)
    assert told(found.survey()) == told(plain.survey())
    assert list(found.frames()) == list(plain.frames())
    for info in plain.runs():
        assert list(found.frames(info.run)) == list(plain.frames(info.run))


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(4))
def test_a_span_of_time_holds_all_of_its_frames(way: Way, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("offtake.journal.ladder.RUNG_BLOCKS", 4)
    rng = random.Random(seed)
    found = salvage(BytesSource(damaged(seed, way)))
    index = index_of(found)
    for info in found.runs():
        timed = list(timed_frames(found.frames(info.run)))
        assert index.numbers(info.run) == (timed[0][1].block_number, timed[-1][1].block_number)
        for _ in range(5):
            first_us, last_us = sorted(rng.choice(timed)[0] for _ in range(2))
            numbers = index.numbers(info.run, first_us, last_us)
            assert numbers is not None
            inside = [frame for tick_us, frame in timed if first_us <= tick_us <= last_us]
            tables = found.frame_tables(info.run, numbers)
            read = {(frame.offset, frame.block_number) for table in tables for frame in table.frames()}
            assert {(frame.offset, frame.block_number) for frame in inside} <= read
        assert index.numbers(info.run, max(tick_us for tick_us, _ in timed) + 1, None) is None
        assert index.numbers(info.run, None, -1) is None
    assert index.numbers(77) is None


def long_log(blocks: int, runs: int = 1, minutes: int = 37) -> Log:
    """Runs of so many blocks, with a block every so often: the tick counter goes round."""
    log = Log(Maker(blocks * runs + 8))
    for _ in range(runs):
        log.run().close()
        for number in range(1, blocks):
            log.put(Raw.CODE, number * minutes * 60 * 250_000 % 2**32, b"$" + bytes(400))
            log.close()
    log.close()
    return log


def test_the_middle_of_a_run_is_timed_as_in_the_whole() -> None:
    found = long_log(1500).salvage()
    index = index_of(found)
    every = list(one_by_one(timed_tables(found.frame_tables(1))))
    assert every[-1][0] > 30 * 2**32 * 4, "the counter of ticks has gone round often"
    ladder = index.ladder(1)
    assert ladder["number"].tolist() == list(range(1, 1501, RUNG_BLOCKS))
    assert ladder["tick_us"].tolist() == [every[n][0] for n in range(0, 1500, RUNG_BLOCKS)]
    numbers = index.numbers(1, every[700][0], every[800][0])
    assert numbers == (513, 1024)
    clock = index.clock(1, numbers[0])
    assert clock is not None
    part = list(one_by_one(timed_tables(found.frame_tables(1, numbers), clock)))
    assert [(tick_us, frame.offset) for tick_us, frame in part] == [(us, frame.offset) for us, frame in every[512:1024]]


def test_frames_are_checked_again_whatever_an_index_says() -> None:
    maker = Maker(8)
    maker.run = 1
    maker.block(0, [(Raw.CODE, 0, b"one"), (Raw.CODE, 1, b"two")])
    index = index_of(salvage(BytesSource(maker.whole())))
    data = bytearray(maker.whole())
    data[BLOCK_SIZE + BLOCK_HEADER_SIZE + 4] ^= 1
    data[BLOCK_SIZE : 2 * BLOCK_SIZE] = seal(bytes(data[BLOCK_SIZE : 2 * BLOCK_SIZE - 4]))
    found = salvage(BytesSource(bytes(data)), index=again(index))
    assert [frame.payload for frame in found.frames()] == [b"two"]


def test_a_run_is_read_without_the_others() -> None:
    data = long_log(300, 4).data()
    index = again(index_of(salvage(BytesSource(data))))
    source = Counted(data)
    found = salvage(source, index=index)
    assert len(list(found.frames(3))) == 300
    assert source.blocks == {0, *range(601, 901)}
    assert source.given == 301 * BLOCK_SIZE


@pytest.mark.parametrize(
    "spoil",
    [
        lambda state: state["account"].update(size=1),
        lambda state: state["account"].update(frames=-1),
        lambda state: state["account"].update(frames="many"),
        lambda state: state["survey"]["runs"][0].update(start="zz"),
        lambda state: state["survey"]["runs"][0].update(start="00"),
        lambda state: state["survey"]["runs"][0].update(frames=True),
        lambda state: state["survey"]["layouts"].update(payloads=["zz"]),
        lambda state: state["survey"]["layouts"]["runs"].append([1, [[8, 99, True]], 0, 0]),
        lambda state: state["survey"].update(oddities=[[1, 8, 1, 1, [["x", "y", 1]]]]),
        lambda state: state.pop("lap"),
        lambda state: state.update(lines=[["a", "b", "c"]]),
    ],
)
def test_what_cannot_be_is_refused(spoil: Callable[[dict[str, object]], object]) -> None:
    index = index_of(salvage(BytesSource(damaged(2))))
    state = json.loads(json.dumps(state_of(index)))
    spoil(state)
    with pytest.raises((ValueError, TypeError, KeyError, IndexError)):
        restored(state, index.order.extents, index.rungs)


@pytest.mark.parametrize("name", ["position", "count", "number"])
def test_blocks_that_cannot_be_there_are_refused(name: str) -> None:
    index = index_of(salvage(BytesSource(damaged(2))))
    for value in (0, 2**32 - 1):
        extents = index.order.extents.copy()
        extents[name][-1] = value
        if name == "position" and value == 0:
            continue
        with pytest.raises(ValueError, match="extents"):
            restored(state_of(index), extents, index.rungs)
    # Every block a hundred times over.
    one = index.order.extents[:1].copy()
    one["position"], one["count"] = 1, index.size // BLOCK_SIZE - 1
    many = np.repeat(one, 100)
    many["number"] = 1 + np.arange(100) * 1000
    with pytest.raises(ValueError, match="extents"):
        restored(state_of(index), many, index.rungs)
    rungs = index.rungs.copy()
    rungs["run"] = 9999
    with pytest.raises(ValueError, match="rungs"):
        restored(state_of(index), index.order.extents, rungs)
    with pytest.raises(ValueError, match="extents"):
        restored(state_of(index), np.zeros(3, np.int64), index.rungs)
