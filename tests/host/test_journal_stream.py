"""From frames to timed chunks."""

from __future__ import annotations

import dataclasses
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_maker import FILL, Maker, run_start
from offtake.dialects.stream import StreamChunk
from offtake.generated.records import BLOCK_SIZE, Loss, LossCause, Raw, RawMore, RunStart, Supply
from offtake.journal.bulk.stream import chunks_of_windows, stream_windows
from offtake.journal.reader import Journal
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.journal.stream import salvaged_windows

START = (RunStart.CODE, 0, run_start().encode())


def chunks(*blocks: tuple[int, list[tuple[int, int, bytes]]], cut: slice | None = None) -> list[StreamChunk]:
    """The chunks of a journal of one run with the given blocks; blocks at the positions of ``cut`` are wiped."""
    maker = Maker(len(blocks) + 1)
    maker.run = 1
    for open_tick, frames in blocks:
        maker.block(open_tick, frames)
    data = bytearray(maker.whole())
    for position in range(len(blocks) + 1)[cut] if cut else ():
        data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = FILL
    source = BytesSource(bytes(data))
    result = list(chunks_of_windows(stream_windows(Journal(source).frame_tables(1))))
    assert list(chunks_of_windows(salvaged_windows(salvage(source), 1))) == result
    return result


def test_a_burst_over_two_blocks_is_one_chunk() -> None:
    assert chunks(
        (1000, [START, (Raw.CODE, 250, b"$GP")]),
        (1500, [(RawMore.CODE, 0, b"GGA"), (Raw.CODE, 1000, b"$GPZDA")]),
    ) == [StreamChunk(5000, b"$GPGGA", False), StreamChunk(10_000, b"$GPZDA", False)]


def test_a_supply_frame_does_not_part_a_burst() -> None:
    frames = [START, (Raw.CODE, 10, b"ab"), (Supply.CODE, 11, Supply(5000, 3).encode()), (RawMore.CODE, 12, b"cd")]
    assert chunks((0, frames)) == [StreamChunk(40, b"abcd", False)]


@pytest.mark.parametrize(("cause", "lost"), [(1, True), (2, True), (3, False)])
def test_counted_losses_mark_what_follows(cause: int, lost: bool) -> None:
    loss = Loss(LossCause(cause), 5).encode()
    found = chunks((0, [START, (Raw.CODE, 10, b"ab"), (Loss.CODE, 11, loss), (RawMore.CODE, 12, b"cd")]))
    if lost:
        assert found == [StreamChunk(40, b"ab", False), StreamChunk(48, b"cd", True)]
    else:
        assert found == [StreamChunk(40, b"abcd", False)]


def test_a_missing_block_marks_what_follows() -> None:
    found = chunks(
        (0, [START, (Raw.CODE, 10, b"ab")]),
        (1000, [(RawMore.CODE, 0, b"cd")]),
        (2000, [(RawMore.CODE, 0, b"ef"), (RawMore.CODE, 5, b"gh")]),
        cut=slice(2, 3),
    )
    assert found == [StreamChunk(40, b"ab", False), StreamChunk(8000, b"efgh", True)]


def test_a_run_without_its_start_begins_after_a_loss() -> None:
    found = chunks((0, [START, (Raw.CODE, 1, b"ab")]), (1000, [(Raw.CODE, 0, b"cd")]), cut=slice(1, 2))
    assert found == [StreamChunk(4000, b"cd", True)]


def test_ticks_are_unwrapped() -> None:
    # 2^32 ticks of 4 us are 17,179,869,184 us.
    found = chunks(
        (2**32 - 100, [START, (Raw.CODE, 50, b"a"), (Raw.CODE, 150, b"b")]),
        (2**31, [(Raw.CODE, 0, b"c")]),
        (2**32 - 1, [(Raw.CODE, 0, b"d"), (Raw.CODE, 2, b"e")]),
    )
    lap = 17_179_869_184
    ticks = [chunk.tick_us for chunk in found]
    assert ticks == [lap - 200, lap + 200, lap + 2**31 * 4, 2 * lap - 4, 2 * lap + 4]


def test_a_frame_staged_a_little_late_does_not_jump_a_lap() -> None:
    supply = (Supply.CODE, 500, Supply(5000, 3).encode())
    found = chunks((100, [START, supply, (Raw.CODE, 10, b"a")]), (600, [(Raw.CODE, 0, b"b")]))
    assert [chunk.tick_us for chunk in found] == [440, 2400]


@pytest.mark.parametrize("waited_s", [1, 60, 120, 8_000])
def test_what_waited_for_a_card_comes_after_its_runs_start_and_is_no_lap_later(waited_s: int) -> None:
    # From 67 s on every step back to what had waited was taken for a round of the tick counter, 4.8 hours.
    waited = waited_s * 250_000
    supply = (Supply.CODE, 0, Supply(5000, 3).encode())
    found = chunks(
        (1_000_000, [(RunStart.CODE, waited, START[2]), supply, (Raw.CODE, waited + 1, b"a"), (Raw.CODE, 10, b"b")]),
        (1_000_100, [(Raw.CODE, 0, b"c"), (Raw.CODE, waited, b"d")]),
        (1_000_200 + waited, [(Raw.CODE, 0, b"e")]),
    )
    ticks = [1_000_001 + waited, 1_000_010, 1_000_100, 1_000_100 + waited, 1_000_200 + waited]
    assert [chunk.tick_us for chunk in found] == [4 * tick for tick in ticks]


def test_a_block_written_twice_comes_once() -> None:
    twice = (1000, [(Raw.CODE, 0, b"cd"), (Raw.CODE, 50, b"ef")])
    grown = (1000, [(Raw.CODE, 0, b"cd"), (Raw.CODE, 50, b"efgh")])
    found = chunks((0, [START, (Raw.CODE, 1, b"ab")]), twice, grown)
    assert b"".join(chunk.data for chunk in found) == b"abcdefgh"


def test_long_bursts_come_in_pieces() -> None:
    blocks = [(0, [START, (Raw.CODE, 0, b"x" * 400)])]
    blocks += [(1000 * n, [(RawMore.CODE, 0, b"y" * 480)]) for n in range(1, 40)]
    found = chunks(*blocks)
    assert sum(len(chunk.data) for chunk in found) == 400 + 39 * 480
    assert 3 < len(found) < 10
    assert max(len(chunk.data) for chunk in found) < 5000


def test_an_unknown_run_has_no_chunks() -> None:
    maker = Maker(8)
    maker.flight(random.Random(1), 4)
    assert list(chunks_of_windows(stream_windows(Journal(BytesSource(maker.whole())).frame_tables(2)))) == []


@given(st.integers(0, 2**32), st.booleans())
def test_all_bytes_of_a_run_come_in_order(seed: int, end: bool) -> None:
    rng = random.Random(seed)
    maker = Maker(40)
    maker.flight(rng, rng.randrange(1, 15), end=end)
    maker.flight(rng, rng.randrange(1, 15), end=end)
    source = BytesSource(maker.whole())
    for run in (1, 2):
        raw = b"".join(one.payload for one in maker.expected() if one.run == run and one.code in (2, 3))
        found = list(chunks_of_windows(stream_windows(Journal(source).frame_tables(run))))
        assert b"".join(chunk.data for chunk in found) == raw
        assert [chunk.tick_us for chunk in found] == sorted(chunk.tick_us for chunk in found)


def test_a_frame_whose_header_is_lost_takes_the_time_before_it() -> None:
    maker = Maker(8)
    maker.run = 1
    maker.block(100, [START, (Raw.CODE, 50, b"ab")])
    maker.block(900, [(Raw.CODE, 0, b"cd")])
    maker.block(2000, [(Raw.CODE, 0, b"ef")])
    data = bytearray(maker.whole())
    data[2 * BLOCK_SIZE : 2 * BLOCK_SIZE + 17] = bytes(17)
    found = list(chunks_of_windows(salvaged_windows(salvage(BytesSource(bytes(data))), 1)))
    assert found == [StreamChunk(600, b"ab", False), StreamChunk(600, b"cd", False), StreamChunk(8000, b"ef", True)]


@pytest.mark.parametrize("tick", [0, 2**24 * 3, 2**31 - 1, 2**32 - 1])
def test_a_damaged_tick_is_no_wrap(tick: int) -> None:
    # Regression: the unchecked header of one damaged block put all that followed it 4.77 hours late.
    maker = Maker(8)
    maker.run = 1
    for number in range(7):
        maker.block((number + 1) * 250_000, [START] if number == 0 else [(Raw.CODE, 5, b"ab")])
    data = bytearray(maker.whole())
    at = data.index((10**6).to_bytes(4, "little"), 4 * BLOCK_SIZE)
    data[at : at + 4] = tick.to_bytes(4, "little")
    found = [chunk.tick_us for chunk in chunks_of_windows(salvaged_windows(salvage(BytesSource(bytes(data))), 1))]
    # The block hit by the damage is given the time before it.
    assert found == [2_000_020, 3_000_020, 3_000_020, 5_000_020, 6_000_020, 7_000_020]


def test_no_run_is_longer_than_a_number_holds() -> None:
    start = dataclasses.replace(run_start(), tick_ns=2**32 - 1)
    maker = Maker(701)
    maker.run = 1
    for number in range(700):
        frames = [(RunStart.CODE, 0, start.encode())] if number == 0 else [(Raw.CODE, 0, b"ab")]
        maker.block(number * (2**32 - 2**24 - 1) % 2**32, frames)
    ticks = [
        chunk.tick_us
        for chunk in chunks_of_windows(stream_windows(Journal(BytesSource(maker.whole())).frame_tables(1)))
    ]
    assert ticks == sorted(ticks)
    assert ticks[-1] == 2**53
