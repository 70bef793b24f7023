"""Journals and salvage as tables in order of block number: the frames, and the order, of the readers block by block."""

from __future__ import annotations

import random
from itertools import product

import numpy as np
import pytest
from damage_ways import WAYS, damaged
from journal_maker import JOURNAL_ID, Maker
from offtake.errors import DamageError
from offtake.generated.records import BLOCK_SIZE, Raw, RunStart
from offtake.journal.bulk import window
from offtake.journal.bulk.frames import FrameTable
from offtake.journal.bulk.order import FOUND, SHIFTS_MAX, WHOLE, Shifts
from offtake.journal.bulk.passage import OrderBuilder
from offtake.journal.bulk.tables import copies_of, without_copies_of
from offtake.journal.bulk.window import classify_blocks
from offtake.journal.codec import encode_block
from offtake.journal.frames import Frame
from offtake.journal.reader import Journal
from offtake.journal.salvage import Salvage, salvage
from offtake.journal.source import BytesSource
from scalar_frames import without_copies
from scalar_reader import ScalarJournal
from scalar_salvage import ScalarSalvage, scalar_salvage

Readers = tuple[ScalarJournal | ScalarSalvage, Journal | Salvage]
RUNS = (None, 1, 2, 3, 5, 40)


def readers(data: bytes) -> list[Readers]:
    """Both ways to read ``data``, where it can be read so: the oracle and the tables."""
    source = BytesSource(data)
    pairs: list[Readers] = [(scalar_salvage(source), salvage(source))]
    try:
        pairs.append((ScalarJournal(source), Journal(source)))
    except DamageError:
        with pytest.raises(DamageError):
            Journal(source)
    return pairs


def flat(tables: list[FrameTable]) -> list[Frame]:
    return [frame for table in tables for frame in table.frames()]


def cases(seeds: int) -> list[tuple[int, tuple[int, ...]]]:
    """Each way alone, and some of them together."""
    rng = random.Random(8)
    alone = [(seed, (way,)) for seed, way in product(range(seeds), range(len(WAYS)))]
    return alone + [(100 + n, tuple(rng.choices(range(len(WAYS)), k=3))) for n in range(10 * seeds)]


@pytest.mark.parametrize("at_once", [1, 5, 4096])
def test_tables_hold_the_frames_of_the_scalar_readers_in_their_order(
    at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
    rng = random.Random(at_once)
    for seed, ways in cases(1):
        for oracle, reader in readers(damaged(seed, *(WAYS[way] for way in ways))):
            every = list(oracle.frames())
            for run in RUNS:
                tables = list(reader.frame_tables(run))
                assert flat(tables) == (list(oracle.frames(run)) if run else every), (seed, ways, run)
                numbers = [set(table.number.tolist()) for table in tables]
                assert len(set().union(*numbers)) == sum(map(len, numbers)), "a number is in two tables"
            low = rng.randrange(100)
            high = low + rng.randrange(60)
            inside = [frame for frame in every if low <= frame.block_number <= high]
            assert flat(list(reader.frame_tables(numbers=(low, high)))) == inside, (seed, ways, low, high)


@pytest.mark.long
def test_many_more_of_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    for seed in range(1000, 3000):
        rng = random.Random(seed)
        monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 2, 3, 8, 50, 4096)))
        monkeypatch.setenv("OFFTAKE_NO_NATIVE", rng.choice(("", "1")))
        for oracle, reader in readers(damaged(seed, *rng.choices(WAYS, k=rng.randrange(1, 5)))):
            for run in RUNS:
                assert flat(list(reader.frame_tables(run))) == list(oracle.frames(run)), (seed, run)


def test_blocks_are_those_of_the_scalar_reader() -> None:
    for seed, ways in cases(1):
        pairs = readers(damaged(seed, *(WAYS[way] for way in ways)))
        if len(pairs) > 1:
            oracle, reader = pairs[1]
            assert isinstance(oracle, ScalarJournal)
            assert isinstance(reader, Journal)
            assert list(reader.blocks()) == list(oracle.blocks())


def test_without_copies_as_frame_by_frame() -> None:
    repeated = 0
    for seed, ways in cases(2):
        for _, reader in readers(damaged(seed, *(WAYS[way] for way in ways))):
            tables = list(reader.frame_tables())
            expected = list(without_copies(flat(tables)))
            assert flat([without_copies_of(table) for table in tables]) == expected
            repeated += sum(int(copies_of(table).sum()) for table in tables)
    assert repeated > 40


class Counted(BytesSource):
    """Notes which blocks are read."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self.positions: set[int] = set()
        self.bytes_read = 0

    def read(self, offset: int, length: int) -> bytes:
        data = super().read(offset, length)
        self.positions.update(range(offset // BLOCK_SIZE, -(-(offset + len(data)) // BLOCK_SIZE)))
        self.bytes_read += len(data)
        return data


def many_runs(runs: int, blocks: int) -> Maker:
    maker = Maker(runs * blocks + 1)
    for _ in range(runs):
        maker.flight(random.Random(runs), blocks)
    return maker


def test_a_runs_frames_cost_no_more_than_its_blocks() -> None:
    source = Counted(many_runs(60, 4).whole())
    for reader in (Journal(source), salvage(source)):
        read = 0
        for run in range(1, 61):
            source.positions.clear()
            before = source.bytes_read
            assert flat(list(reader.frame_tables(run)))
            read += source.bytes_read - before
            assert source.positions == set(range(4 * run - 3, 4 * run + 1))
        assert read == 240 * BLOCK_SIZE


def test_numbers_cost_no_more_than_their_blocks() -> None:
    source = Counted(many_runs(6, 40).whole())
    for reader in (Journal(source), salvage(source)):
        source.positions.clear()
        assert flat(list(reader.frame_tables(numbers=(50, 60))))
        assert source.positions == set(range(50, 61))
        source.positions.clear()
        assert flat(list(reader.frame_tables(1, numbers=(30, 60))))
        assert source.positions == set(range(30, 41))
        assert not flat(list(reader.frame_tables(numbers=(500, 600))))


def test_a_damaged_block_is_read_with_its_neighbours_and_no_others() -> None:
    maker = many_runs(6, 40)
    data = bytearray(maker.whole())
    data[100 * BLOCK_SIZE + 20] ^= 1
    source = Counted(bytes(data))
    found = salvage(source)
    source.positions.clear()
    frames = flat(list(found.frame_tables(numbers=(100, 100))))
    assert source.positions == {99, 100, 101}
    assert [frame.block_intact for frame in frames] == [False] * len(frames)
    # The run of a damaged block is known here: it comes with the run's.
    source.positions.clear()
    flat(list(found.frame_tables(3)))
    assert source.positions == set(range(81, 121))


def test_shifts_are_followed_up_to_a_limit_in_the_order_of_the_file() -> None:
    shifts = Shifts()
    assert shifts.admitted(np.zeros(0, np.int64)).tolist() == []
    assert shifts.admitted(np.array([7, 7, -3])).all()
    more = np.array([1000 - n for n in range(SHIFTS_MAX)])
    assert shifts.admitted(more).tolist() == [True] * (SHIFTS_MAX - 2) + [False] * 2
    assert shifts.admitted(np.array([more[-1], 7, more[0]])).tolist() == [False, True, True]


def test_an_order_is_a_few_extents_where_a_journal_is_sound() -> None:
    builder = OrderBuilder()
    data = many_runs(5, 30).whole()
    for first in range(1, 151, 8):
        part = data[first * BLOCK_SIZE : (first + 8) * BLOCK_SIZE]
        builder.add_intact(classify_blocks(part, np.arange(first, min(151, first + 8)), JOURNAL_ID))
    order = builder.order()
    assert order.extents["run"].tolist() == [1, 2, 3, 4, 5]
    assert order.extents["count"].tolist() == [30] * 5
    assert order.extents["what"].tolist() == [WHOLE | FOUND] * 5


def test_a_loss_before_an_empty_block_marks_the_frame_behind_it() -> None:
    """Salvage's marks wait for a frame; a reader of intact blocks gives none to a block without frames."""
    maker = Maker(12)
    maker.run = 1
    for number in range(1, 11):
        maker.block(number * 1000, [] if number in (5, 6) else [(RunStart.CODE if number == 1 else Raw.CODE, 0, b"x")])
    data = bytearray(maker.whole())
    data[4 * BLOCK_SIZE : 5 * BLOCK_SIZE] = bytes(BLOCK_SIZE)
    for oracle, reader in readers(bytes(data)):
        frames = flat(list(reader.frame_tables()))
        assert frames == list(oracle.frames())
        marked = [frame.block_number for frame in frames if frame.after_damage]
        assert marked == ([7] if isinstance(reader, Salvage) else [])
        assert flat(list(reader.frame_tables(numbers=(6, 8)))) == [one for one in frames if 6 <= one.block_number <= 8]


def test_a_file_that_changes_while_it_is_read_gives_nothing_false() -> None:
    class Changing(BytesSource):
        def __init__(self, data: bytes) -> None:
            super().__init__(data)
            self.later: dict[int, bytes] = {}

        def read(self, offset: int, length: int) -> bytes:
            data = bytearray(super().read(offset, length))
            for position, block in self.later.items():
                at = position * BLOCK_SIZE - offset
                if 0 <= at < len(data):
                    data[at : at + BLOCK_SIZE] = block
            return bytes(data)

    source = Changing(many_runs(1, 20).whole())
    for reader in (Journal(source), salvage(source)):
        source.later.clear()
        before = flat(list(reader.frame_tables()))
        source.later = {7: bytes(BLOCK_SIZE), 9: encode_block(JOURNAL_ID, 3, 1, 0, b""), 11: b"\x55" * BLOCK_SIZE}
        after = flat(list(reader.frame_tables()))
        assert after == [frame for frame in before if frame.position not in source.later]


def test_a_torn_block_out_of_its_place_is_not_searched_past_its_end() -> None:
    maker = Maker(14)
    for _ in range(2):
        maker.flight(random.Random(5), 9)
    for size in range(13 * BLOCK_SIZE + 1, 14 * BLOCK_SIZE, 37):
        for oracle, reader in readers(maker.whole()[:size]):
            assert flat(list(reader.frame_tables())) == list(oracle.frames())
