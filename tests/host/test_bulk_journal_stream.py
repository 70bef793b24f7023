"""Times of frames and the receiver's stream, a window at a time: those of the clock and the joiner frame by frame."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator

import pytest
from damage_ways import WAYS, damaged
from journal_maker import Maker, run_start
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Loss, LossCause, Raw, RawMore, RunStart
from offtake.journal.bulk import stream, window
from offtake.journal.bulk.stream import StreamWindow, chunks_of_windows, stream_windows
from offtake.journal.bulk.times import timed_tables
from offtake.journal.clock import Clock
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from offtake.journal.stream import salvaged_windows
from scalar_chunks import scalar_chunks
from scalar_frames import one_by_one, timed_frames

START = (RunStart.CODE, 0, run_start().encode())


def readers(data: bytes) -> Iterator[Journal | Salvage]:
    source = BytesSource(data)
    yield salvage(source)
    try:
        yield Journal(source)
    except DamageError:
        return


def check(data: bytes, *where: object) -> int:
    """Times and chunks of every run, against the scalar ones; returns how many chunks there are."""
    chunks = 0
    for reader in readers(data):
        for run in {info.run for info in reader.runs()}:
            frames = list(reader.frames(run))
            assert list(one_by_one(timed_tables(reader.frame_tables(run)))) == list(timed_frames(frames)), (*where, run)
            windows = list(stream_windows(reader.frame_tables(run)))
            check_windows(windows)
            expected = list(scalar_chunks(frames))
            assert list(chunks_of_windows(windows)) == expected, (*where, run)
            chunks += len(expected)
    return chunks


def check_windows(windows: list[StreamWindow]) -> None:
    offset = 0
    for number, one in enumerate(windows, 1):
        assert one.offset == offset == one.chunk_offset[0]
        assert one.chunk_offset.shape == one.chunk_tick_us.shape == one.chunk_lost.shape
        assert len(one.data) >= stream.WINDOW_BYTES_MIN or number == len(windows)
        offset += len(one.data)


@pytest.mark.parametrize(("at_once", "least"), [(1, 1), (4, 300), (4096, 2**20)])
def test_times_and_chunks_are_those_of_frame_by_frame(
    at_once: int, least: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
    monkeypatch.setattr(stream, "WINDOW_BYTES_MIN", least)
    rng = random.Random(at_once)
    chunks = 0
    for seed in range(12):
        monkeypatch.setenv("OFFTAKE_NO_NATIVE", "1" if seed % 2 else "")
        chunks += check(damaged(seed, *rng.choices(WAYS, k=1 + seed % 3)), seed)
    assert chunks > 200


@pytest.mark.long
def test_many_more_of_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in range(1000, 2500):
        rng = random.Random(seed)
        monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 2, 3, 8, 50, 4096)))
        monkeypatch.setattr(stream, "WINDOW_BYTES_MIN", rng.choice((1, 100, 5000, 2**20)))
        monkeypatch.setenv("OFFTAKE_NO_NATIVE", rng.choice(("", "1")))
        check(damaged(seed, *rng.choices(WAYS, k=rng.randrange(1, 5))), seed)


def strange_ticks(rng: random.Random) -> bytes:
    """A run whose blocks' ticks jump, go back and round; those of damaged blocks are not certain."""
    maker = Maker(60)
    maker.run = 1
    tick = rng.choice((0, 500, 2**32 - 10))
    for number in range(59):
        frames = [START] if number == 0 and rng.random() < 0.8 else []
        for _ in range(rng.randrange(1, 12)):
            frames.append((rng.choice((Raw.CODE, RawMore.CODE)), rng.choice((0, 5, 2**31, 2**32 - 1)), b"ab"))
        maker.block(tick % 2**32, frames)
        tick += rng.choice((0, 9, 10**6, -5, -(2**23), -(2**24) - 5, 2**31, 2**32 - 2**24))
    data = bytearray(maker.whole())
    for _ in range(rng.choice((0, 3, 40))):
        data[rng.randrange(1, 60) * BLOCK_SIZE + rng.randrange(13, 17)] ^= 1 << rng.randrange(8)
    return bytes(data)


def test_strange_ticks_are_unwrapped_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in range(12):
        rng = random.Random(seed)
        monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 7, 4096)))
        check(strange_ticks(rng), seed)


def test_a_long_stretch_of_ticks_that_are_not_certain(monkeypatch: pytest.MonkeyPatch) -> None:
    """More frames than wait for a certain tick, over several tables."""
    monkeypatch.setattr(window, "WINDOW_BLOCKS", 3)
    rng = random.Random(4)
    for first, last in ((2, 20), (2, 40), (1, 12), (3, 41), (30, 41)):
        maker = Maker(42)
        maker.run = 1
        for number in range(41):
            frames = [(Raw.CODE, 5 * n, rng.randbytes(4)) for n in range(30)]
            maker.block(number * 10_000, [START, *frames[:20]] if number == 0 else frames)
        data = bytearray(maker.whole())
        for position in range(first, last):
            data[position * BLOCK_SIZE + rng.randrange(BLOCK_SIZE - 4, BLOCK_SIZE)] ^= 1
        assert check(bytes(data), first, last)


def test_ticks_past_what_64_bits_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    start = dataclasses.replace(run_start(), tick_ns=2**32 - 1)
    maker = Maker(701)
    maker.run = 1
    for number in range(700):
        frames = [(RunStart.CODE, 0, start.encode())] if number == 0 else [(Raw.CODE, 0, b"ab")]
        maker.block(number * (2**32 - 2**24 - 1) % 2**32, frames)
    monkeypatch.setattr(window, "WINDOW_BLOCKS", 64)
    check(maker.whole())
    clock = Clock(1000)
    clock.tick = clock.open = 2**63
    found = list(timed_tables(Journal(BytesSource(maker.whole())).frame_tables(1), clock))
    assert all((times == 2**53).all() for _, times in found)


def test_a_clock_that_knows_what_lies_before_goes_on() -> None:
    maker = Maker(40)
    maker.run = 1
    for number in range(39):
        maker.block(number * 2**30 % 2**32, [START] if number == 0 else [(Raw.CODE, 7, b"ab"), (RawMore.CODE, 9, b"c")])
    journal = Journal(BytesSource(maker.whole()))
    whole = [(us, frame.offset) for us, frame in one_by_one(timed_tables(journal.frame_tables(1)))]
    clock = Clock(run_start().tick_ns)
    tables = journal.frame_tables(1, (1, 20))
    for _ in timed_tables(tables, clock):
        pass
    rest = [(us, frame.offset) for us, frame in one_by_one(timed_tables(journal.frame_tables(1, (21, 39)), clock))]
    assert rest == [one for one in whole if one[1] >= 21 * BLOCK_SIZE]


def test_twins_in_any_window(monkeypatch: pytest.MonkeyPatch) -> None:
    """A block written again, grown or whole, with a block between tables or not."""
    rng = random.Random(6)
    maker = Maker(60)
    maker.run = 1
    maker.block(0, [START])
    for number in range(1, 50):
        again = [(Raw.CODE, 9 * n, rng.randbytes(rng.randrange(1, 30))) for n in range(rng.randrange(1, 6))]
        for _ in range(rng.choice((1, 1, 2))):
            maker.block(number * 1000, again)
            if rng.random() < 0.5:
                code, tick, payload = again[-1]
                again = [*again[:-1], (code, tick, payload + b"more")]
    for at_once in (1, 2, 3, 5, 4096):
        monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
        check(maker.whole(), at_once)


def test_losses_count_wherever_windows_are_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(2)
    maker = Maker(80)
    maker.run = 1
    for number in range(79):
        frames = [START] if number == 0 else []
        for n in range(rng.randrange(1, 5)):
            loss = Loss(rng.choice(list(LossCause)), 3).encode()
            frames.append(
                rng.choice(
                    ((Raw.CODE, n, b"ab"), (RawMore.CODE, n, b"c"), (RawMore.CODE, n, b""), (Loss.CODE, n, loss))
                )
            )
        maker.block(1000 * number, frames)
    for at_once in (1, 2, 3, 5, 4096):
        monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
        check(maker.whole(), at_once)


def test_a_saturated_line_comes_in_windows_of_whole_chunks() -> None:
    maker = Maker(6000)
    maker.run = 1
    maker.block(0, [START])
    rng = random.Random(1)
    for number in range(1, 5990):
        maker.block(number * 9000 % 2**32, [(RawMore.CODE, 0, rng.randbytes(480))])
    source = BytesSource(maker.whole())
    for windows in (list(stream_windows(Journal(source).frame_tables(1))), list(salvaged_windows(salvage(source), 1))):
        check_windows(windows)
        assert sum(len(one.data) for one in windows) == 5989 * 480
        assert [2**20 <= len(one.data) <= 3 * 2**20 for one in windows[:-1]] == [True] * (len(windows) - 1)
        assert len(windows) > 1
        assert list(chunks_of_windows(windows)) == list(scalar_chunks(Journal(source).frames(1)))


def test_no_frames_no_windows() -> None:
    assert list(stream_windows(iter(()))) == []
    assert list(timed_tables(iter(()))) == []
