"""Salvage from every kind of damage: what is whole comes back, nothing is invented, every byte is accounted for."""

from __future__ import annotations

import random
import time
import tracemalloc
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_checks import check_account, check_salvage
from journal_maker import FILL, JOURNAL_ID, Maker, Put
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE, Raw, Status
from offtake.journal.bulk import window
from offtake.journal.codec import encode_block, encode_frame, seal
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource


def made(blocks: int, *runs: int, journal_id: int = JOURNAL_ID, seed: int = 5) -> Maker:
    maker = Maker(blocks, journal_id)
    rng = random.Random(seed)
    for count in runs:
        maker.flight(rng, count)
    return maker


STRAIGHT = made(32, 8, 9)
WRAPPED = made(14, 9, 9)
BOTH = pytest.mark.parametrize("maker", [STRAIGHT, WRAPPED], ids=["straight", "wrapped"])


def untouched(maker: Maker, first: int, stop: int) -> set[int]:
    """Offsets of frames with no byte in ``first`` to ``stop``."""
    return {one.offset for one in maker.put if one.offset + one.size <= first or one.offset >= stop}


@BOTH
def test_an_intact_journal_comes_back_whole(maker: Maker) -> None:
    found = check_salvage(maker.whole(), maker.put, {one.offset for one in maker.put})
    frames = list(found.frames())
    assert [frame.payload for frame in frames] == [one.payload for one in maker.expected()]
    assert not any(frame.after_damage for frame in frames)
    assert set(found.account.skipped) <= {"fill"}


@BOTH
def test_a_single_flipped_bit_costs_only_the_frame_it_hits(maker: Maker) -> None:
    whole = maker.whole()
    used = (min(maker.number, maker.blocks - 1) + 1) * BLOCK_SIZE
    rng = random.Random(11)
    for _ in range(1500):
        at = rng.randrange(BLOCK_SIZE, used)
        data = bytearray(whole)
        data[at] ^= 1 << rng.randrange(8)
        kept = untouched(maker, at, at + 1)
        found = check_salvage(bytes(data), maker.put, kept)
        assert found.account.frames == len(kept)


@given(st.data())
def test_damage_of_any_kind_costs_only_what_it_hits(data: st.DataObject) -> None:
    maker = data.draw(st.sampled_from([STRAIGHT, WRAPPED]))
    whole = maker.whole()
    first = data.draw(st.integers(0, len(whole) - 1))
    stop = min(len(whole), first + data.draw(st.integers(1, 1500)))
    rng = random.Random(data.draw(st.integers(0, 2**32)))
    rubbish = data.draw(st.sampled_from([rng.randbytes(stop - first), bytes(stop - first), b"\xff" * (stop - first)]))
    check_salvage(whole[:first] + rubbish + whole[stop:], maker.put, untouched(maker, first, stop))


@given(st.data())
def test_damage_in_many_places(data: st.DataObject) -> None:
    maker = data.draw(st.sampled_from([STRAIGHT, WRAPPED]))
    spoiled = bytearray(maker.whole())
    touched: list[int] = []
    for at in data.draw(st.lists(st.integers(BLOCK_SIZE, len(spoiled) - 1), max_size=30)):
        spoiled[at] ^= 0x55
        touched.append(at)
    kept = {one.offset for one in maker.put if not any(one.offset <= at < one.offset + one.size for at in touched)}
    # The same byte may be struck twice and be right again.
    check_salvage(bytes(spoiled), maker.put, kept)


@BOTH
@pytest.mark.parametrize("fill", [0x00, 0xFF, 0xA5])
def test_the_journals_header_lost(maker: Maker, fill: int) -> None:
    data = bytes([fill]) * BLOCK_SIZE + maker.whole()[BLOCK_SIZE:]
    found = check_salvage(data, maker.put, {one.offset for one in maker.put})
    assert (found.journal_id, found.id_from) == (JOURNAL_ID, "blocks")
    assert found.account.skipped["header_bad_magic"] == BLOCK_SIZE


@BOTH
def test_the_files_beginning_missing(maker: Maker) -> None:
    for cut in (1, 2, 5):
        shift = cut * BLOCK_SIZE
        moved = [
            Put(one.position - cut, one.offset - shift, *(getattr(one, name) for name in Put.__match_args__[2:]))
            for one in maker.put
            if one.offset >= shift
        ]
        check_salvage(maker.whole()[shift:], moved, {one.offset for one in moved})


def test_sectors_missing_from_the_middle_move_the_rest() -> None:
    whole = STRAIGHT.whole()
    data = whole[: 6 * BLOCK_SIZE] + whole[9 * BLOCK_SIZE :]
    found = salvage(BytesSource(data))
    check_account(found)
    assert [frame.payload for frame in found.frames()] == [
        one.payload for one in STRAIGHT.expected() if not 6 <= one.position < 9
    ]


def test_a_torn_write_over_an_older_lap_gives_both_sides_their_number() -> None:
    before, after = made(14, 9, 9), made(14, 9, 9)
    rng = random.Random(3)
    for maker in (before, after):
        maker.run += 0
    after.block(1000, [(Raw.CODE, 0, rng.randbytes(60)), (Raw.CODE, 9, rng.randbytes(200))])
    position = after.position(after.number)
    lo = position * BLOCK_SIZE
    for torn in range(0, BLOCK_SIZE, 7):
        data = bytearray(before.whole())
        data[lo : lo + torn] = after.whole()[lo : lo + torn]
        old = {one.offset for one in before.put if one.position != position or one.offset >= lo + torn}
        new = {one.offset for one in after.put if one.position == position and one.offset + one.size <= lo + torn}
        both = [*after.put, *(one for one in before.put if one.position == position)]
        found = check_salvage(bytes(data), both, old | new)
        assert {frame.offset for frame in found.frames()} == old | new


@pytest.mark.parametrize("header_lost", [False, True])
def test_a_torn_write_long_ago_still_shows_the_lap_before(header_lost: bool) -> None:
    before, after = made(14, 9, 9), made(14, 9, 9)
    rng = random.Random(4)
    for count in (40, 60, 80, 100):
        after.block(1000, [(Raw.CODE, 0, rng.randbytes(count)), (Raw.CODE, 9, rng.randbytes(count))])
    # The second of the four was torn; both its neighbours in the file are of the newer lap.
    position = after.position(after.number - 2)
    lo = position * BLOCK_SIZE
    for torn in range(0, 200, 7):
        data = bytearray(after.whole())
        data[lo + torn : lo + BLOCK_SIZE] = before.whole()[lo + torn : lo + BLOCK_SIZE]
        if torn:
            # Without its magic the block's own header is no help.
            data[lo] ^= 0xFF
        if header_lost:
            data[:BLOCK_SIZE] = bytes(BLOCK_SIZE)
        old = {one.offset for one in before.put if one.position == position and one.offset >= lo + torn}
        new = {one.offset for one in after.put if one.position != position or one.offset + one.size <= lo + torn}
        both = [*after.put, *(one for one in before.put if one.position == position)]
        found = check_salvage(bytes(data), both, old | new if torn else None)
        if torn:
            assert {frame.offset for frame in found.frames()} == old | new


def test_frames_of_an_older_journal_are_not_taken_into_this_one() -> None:
    older = made(32, 20, journal_id=0x0DDBA11, seed=1)
    newer = made(32, 6, seed=2)
    data = bytearray(older.whole())
    data[: 7 * BLOCK_SIZE] = newer.whole()[: 7 * BLOCK_SIZE]
    # The block at the tip is torn: newer before, older after.
    data[7 * BLOCK_SIZE + 3] ^= 0xFF
    found = check_salvage(bytes(data), newer.put, {one.offset for one in newer.put})
    assert found.account.skipped["foreign_journal"] == 13 * BLOCK_SIZE
    assert found.account.skipped["damaged"] == BLOCK_SIZE


def test_a_lost_header_is_replaced_by_the_id_of_most_blocks() -> None:
    older = made(32, 5, journal_id=0x0DDBA11, seed=1)
    newer = made(32, 6, seed=2)
    data = newer.used() + older.used()[BLOCK_SIZE:]
    found = check_salvage(bytes(BLOCK_SIZE) + data[BLOCK_SIZE:], newer.put, {one.offset for one in newer.put})
    assert found.journal_id == JOURNAL_ID


def test_one_torn_block_alone_proves_its_journal() -> None:
    block = STRAIGHT.whole()[BLOCK_SIZE : 2 * BLOCK_SIZE]
    found = salvage(BytesSource(block[:-30]))
    check_account(found)
    assert found.journal_id == JOURNAL_ID
    first = min(STRAIGHT.put, key=lambda one: one.offset)
    assert next(found.frames()).payload == first.payload


def test_run_and_tick_are_told_only_where_certain() -> None:
    data = bytearray(STRAIGHT.whole())
    middle, edge = 4, 8
    for position in (middle, edge):
        data[position * BLOCK_SIZE + BLOCK_SIZE - 1] ^= 1
    by_position = {position: [f for f in salvage(BytesSource(bytes(data))).frames() if f.position == position]
                   for position in (middle, edge)}  # fmt: skip
    truth = {one.offset: one for one in STRAIGHT.put}
    for frame in by_position[middle]:
        assert (frame.run, frame.tick, frame.block_intact) == (1, None, False)
        assert (frame.header_run, frame.header_tick) == (1, truth[frame.offset].tick)
    # Between a block of run 1 and one of run 2 it may be either.
    for frame in by_position[edge]:
        assert (frame.run, frame.likely_run, frame.likely_tick) == (None, 1, truth[frame.offset].tick)


def test_frames_after_damage_say_so() -> None:
    data = bytearray(STRAIGHT.whole())
    data[4 * BLOCK_SIZE : 5 * BLOCK_SIZE] = FILL
    marked = [frame.block_number for frame in salvage(BytesSource(bytes(data))).frames() if frame.after_damage]
    assert marked == [5]


def test_a_code_of_a_later_version_is_kept_where_it_is_anchored() -> None:
    maker = Maker(8)
    maker.run = 1
    maker.block(0, [(99, 0, b"later"), (Raw.CODE, 1, b"now")])
    found = check_salvage(maker.whole(), maker.put, {one.offset for one in maker.put})
    first = next(found.frames())
    assert first.record() == (Status.UNKNOWN_CODE, None)
    data = bytearray(maker.whole())
    data[BLOCK_SIZE + BLOCK_SIZE - 1] ^= 1
    assert [frame.code for frame in salvage(BytesSource(bytes(data))).frames()] == [99, Raw.CODE]


def test_a_bad_frame_in_a_block_with_a_right_check() -> None:
    good = encode_frame(Raw.CODE, 0, b"good", JOURNAL_ID, 1)
    bad = encode_frame(Raw.CODE, 0, b"elsewhere", JOURNAL_ID, 2)
    maker = Maker(4)
    block = encode_block(JOURNAL_ID, 1, 1, 0, good + bad + good)
    data = maker.whole()[:BLOCK_SIZE] + block
    found = salvage(BytesSource(data))
    check_account(found)
    assert [frame.payload for frame in found.frames()] == [b"good", b"good"]
    assert [frame.after_damage for frame in found.frames()] == [False, True]
    assert found.account.skipped == {"damaged": len(bad)}


@pytest.mark.parametrize("size", [0, 1, 16, 511, 512, 513, 40_000])
def test_random_bytes_give_nothing_but_an_account(size: int) -> None:
    found = salvage(BytesSource(random.Random(size).randbytes(size)))
    check_account(found)
    assert list(found.frames()) == []
    assert (found.journal_id, found.account.recovered, found.account.skipped_bytes) == (None, 0, size)


def test_random_bytes_behind_a_valid_header_give_nothing() -> None:
    data = Maker(200).whole()[:BLOCK_SIZE] + random.Random(1).randbytes(199 * BLOCK_SIZE)
    found = salvage(BytesSource(data))
    check_account(found)
    assert list(found.frames()) == []


@pytest.mark.parametrize("blocks", [2, 3, 1000, 2**32 - 1])
def test_a_header_that_lies_about_its_size(blocks: int) -> None:
    maker = Maker(32)
    maker.flight(random.Random(4), 20)
    data = bytearray(maker.whole())
    content = bytearray(data[: BLOCK_SIZE - 4])
    content[14:18] = blocks.to_bytes(4, "little")
    data[:BLOCK_SIZE] = seal(bytes(content))
    found = check_salvage(bytes(data), maker.put, {one.offset for one in maker.put})
    assert found.header is not None
    assert found.header.blocks == blocks


def test_a_medium_that_gives_less_than_it_promised_is_accounted_for() -> None:
    class Short(BytesSource):
        def __init__(self, data: bytes) -> None:
            super().__init__(data)
            self.size = len(data) + 5000

    found = salvage(Short(STRAIGHT.used()))
    check_account(found)
    assert found.account.frames == len(STRAIGHT.put)
    assert found.account.skipped == {"unreadable": 5000}


def test_a_hostile_file_takes_bounded_memory_and_time() -> None:
    # Valid blocks, each out of its place by another distance, and more than are followed.
    header = Maker(4).whole()[:BLOCK_SIZE]
    blocks = [
        encode_block(JOURNAL_ID, 1 + 7 * n, 1, 0, encode_frame(Raw.CODE, 0, b"x", JOURNAL_ID, 1 + 7 * n))
        for n in range(2000)
    ]
    source = BytesSource(header + b"".join(blocks))
    tracemalloc.start()
    began = time.monotonic()
    found = salvage(source)
    frames = sum(1 for _ in found.frames())
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    check_account(found)
    assert frames == found.account.frames == 64
    assert found.account.skipped == {"out_of_place": (2000 - 64) * BLOCK_SIZE}
    assert peak < 4_000_000
    assert time.monotonic() - began < 20


def test_memory_does_not_grow_with_the_journal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", 64)
    peaks = []
    for laps in (1, 8):
        data = STRAIGHT.used() + FILL * 500 * laps
        tracemalloc.start()
        found = salvage(BytesSource(data))
        assert sum(1 for _ in found.frames()) == len(STRAIGHT.put)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 200_000


def test_a_long_journal_is_never_in_memory_whole() -> None:
    # 32 MiB, with the windows as they are.
    source = BytesSource(STRAIGHT.used() + FILL * 65_536)
    tracemalloc.start()
    found = salvage(source)
    assert sum(1 for _ in found.frames()) == len(STRAIGHT.put)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert window.WINDOW_BLOCKS * BLOCK_SIZE < peak < 16_000_000


def test_damaged_frames_pass_a_32_bit_check_as_seldom_as_they_should() -> None:
    # The share of random wrong frames that a check of n bits lets through is 2^-n. Counted on the check's lowest 12
    # bits, where it can be counted: 200,000 damaged frames, 48.8 expected, standard deviation 7.0.
    rng = random.Random(12)
    frame = encode_frame(Raw.CODE, 3, rng.randbytes(40), JOURNAL_ID, 9)
    body, right = frame[:-4], zlib.crc32(frame[:-4], zlib.crc32(bytes.fromhex("fecaad1b09000000")))
    assert frame[-4:] == right.to_bytes(4, "little")
    passed = 0
    for _ in range(200_000):
        at = rng.randrange(len(body) - 8)
        spoiled = body[:at] + rng.randbytes(8) + body[at + 8 :]
        passed += (zlib.crc32(spoiled, zlib.crc32(bytes.fromhex("fecaad1b09000000"))) ^ right) & 0xFFF == 0
    assert 20 <= passed <= 80


def test_blocks_begin_where_the_layout_says() -> None:
    assert min(one.offset for one in STRAIGHT.put) == BLOCK_SIZE + BLOCK_HEADER_SIZE
