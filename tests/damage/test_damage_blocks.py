"""Whole blocks swapped, copied, mixed with another journal's, or torn over what lay there before."""

from __future__ import annotations

import random
from itertools import combinations, permutations

import pytest
from damage_checks import check_readers, check_salvage, check_streams
from damage_journals import LONG, NAMES, Recorded, older_journal, recorded
from journal_maker import FILL, Put
from offtake.generated.records import BLOCK_HEADER_SIZE, BLOCK_SIZE
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from scalar_frames import without_copies

ALL = pytest.mark.parametrize("name", NAMES)
WRAPPED = pytest.mark.parametrize("name", ["made wrapped", "core wrapped"])
EVERY_TORN = range(1, BLOCK_SIZE)


def with_blocks(journal: Recorded, blocks: dict[int, bytes]) -> bytes:
    data = bytearray(journal.data)
    for position, block in blocks.items():
        data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] = block
    return bytes(data)


def frames_at(journal: Recorded, *positions: int) -> list[Put]:
    return [one for one in journal.put if one.position in positions]


@ALL
def test_any_two_blocks_swapped(name: str) -> None:
    journal = recorded(name)
    order = [(one.block_number, one.code, one.payload) for one in journal.put]
    for a, b in combinations(range(1, journal.used), 2):
        data = with_blocks(journal, {a: journal.block(b), b: journal.block(a)})
        _, frames = check_salvage(data, journal.put)
        # Out of their places, but all there and in order.
        assert [(one.block_number, one.code, one.payload) for one in frames] == order
        report = check_readers(data, damaged=True)
        assert {one.position for one in report.findings if one.reason == "out_of_place"} == {a, b}
        check_streams(data, journal)


@ALL
@pytest.mark.parametrize("header", [True, False], ids=["header", "no header"])
def test_any_block_copied_over_another(name: str, header: bool) -> None:
    journal = recorded(name)
    stop = journal.used + (journal.used < journal.blocks)
    for source, target in permutations(range(1, stop), 2):
        # In the short run each block is copied to every third place.
        if source >= journal.used or not (LONG or (source + target) % 3 == 0):
            continue
        data = with_blocks(journal, {target: journal.block(source)} | ({} if header else {0: bytes(BLOCK_SIZE)}))
        found, frames = check_salvage(data, journal.put)
        kept = [one for one in journal.put if one.position != target]
        assert [one.payload for one in without_copies(frames)] == [one.payload for one in kept]
        assert len(frames) == len(kept) + len(frames_at(journal, source))
        check_readers(data, damaged=True)
        check_streams(data, journal)
        assert sum(run.frames for run in found.runs()) == len(kept)


@ALL
def test_a_damaged_block_and_a_damaged_copy_complete_each_other(name: str) -> None:
    journal = recorded(name)
    for position in range(1, journal.used):
        here = frames_at(journal, position)
        if len(here) < 2:
            continue
        first, second = bytearray(journal.block(position)), bytearray(journal.block(position))
        first[here[-1].offset % BLOCK_SIZE] ^= 0x55
        second[here[0].offset % BLOCK_SIZE] ^= 0x55
        data = journal.data + bytes(second)
        data = data[: position * BLOCK_SIZE] + bytes(first) + data[(position + 1) * BLOCK_SIZE :]
        _, frames = check_salvage(data, journal.put)
        assert [one.payload for one in without_copies(frames)] == [one.payload for one in journal.put]
        check_readers(data, damaged=True)
        check_streams(data, journal)


@ALL
def test_blocks_of_another_journal_with_the_same_numbers(name: str) -> None:
    journal = recorded(name)
    other = older_journal(journal.blocks).whole()
    rng = random.Random(5)
    for _ in range(200 if LONG else 60):
        taken = rng.sample(range(1, journal.used), rng.randrange(1, journal.used - 1))
        foreign = {p: other[p * BLOCK_SIZE : (p + 1) * BLOCK_SIZE] for p in taken}
        spoiled = rng.choice([False, True])
        if spoiled:
            # Damaged, they must prove themselves frame by frame.
            foreign = {p: block[:-1] + bytes([block[-1] ^ 1]) for p, block in foreign.items()}
        data = with_blocks(journal, foreign)
        kept = {one.offset for one in journal.put if one.position not in taken}
        found, frames = check_salvage(data, journal.put, kept, journal_id=journal.journal_id)
        assert len(frames) == len(kept)
        assert found.account.skipped.get("damaged" if spoiled else "foreign_journal") == len(taken) * BLOCK_SIZE
        rear = journal.used - len(taken)
        only_rear = min(taken) == rear and not journal.before
        check_readers(data, damaged=spoiled or not only_rear)


@pytest.mark.parametrize("name", ["made straight", "core straight"])
@pytest.mark.parametrize("spoiled", [False, True])
def test_an_older_journal_behind_the_tip(name: str, spoiled: bool) -> None:
    journal = recorded(name)
    other = older_journal(journal.blocks)
    # The tip's own block torn over the older journal's, at every byte.
    for torn in EVERY_TORN[:: 1 if LONG else 2] if spoiled else [BLOCK_SIZE]:
        split = (journal.used - 1) * BLOCK_SIZE + torn
        data = journal.data[:split] + other.whole()[split:]
        kept = {one.offset for one in journal.put if one.offset + one.size <= split}
        found, frames = check_salvage(data, journal.put, kept, journal_id=journal.journal_id)
        assert {one.offset for one in frames} == kept
        assert found.account.skipped["foreign_journal"] >= (journal.blocks - journal.used) * BLOCK_SIZE
        changed = data[: journal.used * BLOCK_SIZE] != journal.data[: journal.used * BLOCK_SIZE]
        whole_again = other.whole()[split - torn : split] == journal.data[split - torn : split]
        report = check_readers(data, damaged=spoiled and changed and not whole_again)
        assert any(one.reason == "foreign_journal" and one.severity == "note" for one in report.findings)


@WRAPPED
@pytest.mark.parametrize("header", [True, False], ids=["header", "no header"])
def test_a_block_torn_over_the_lap_before_at_every_byte(name: str, header: bool) -> None:
    # First N bytes of the new block, behind them what is left of the block one lap older.
    journal = recorded(name)
    newest = max(one.block_number for one in journal.put)
    tip = next(one.position for one in journal.put if one.block_number == newest)
    past = {one.position: [] for one in journal.past}
    for one in journal.past:
        past[one.position].append(one)
    for position in sorted(journal.before) if LONG else (tip, journal.blocks - 1):
        new, old = journal.block(position), journal.before[position]
        old_number = max(one.block_number for one in past[position])
        for torn in EVERY_TORN:
            block = new[:torn] + old[torn:]
            if block in (new, old):
                continue
            data = with_blocks(journal, {position: block} | ({} if header else {0: bytes(BLOCK_SIZE)}))
            lo = position * BLOCK_SIZE
            kept = {one.offset for one in journal.put if one.position != position or one.offset + one.size <= lo + torn}
            stale = {o.offset for o in past[position] if o.block_number == old_number and o.offset >= lo + torn}
            # check_salvage holds each frame against its own number: a stale one under the new number would not pass.
            _, frames = check_salvage(data, (*journal.put, *journal.past), kept | stale, journal_id=journal.journal_id)
            # A frame across the tear is there only where both blocks hold the same bytes for it.
            for at in {one.offset for one in frames} - kept - stale:
                size = next(one.size for one in frames if one.offset == at)
                assert data[at : at + size] in (new[at - lo :][:size], old[at - lo :][:size])
            check_readers(data, damaged=True)


@WRAPPED
def test_whole_blocks_of_the_lap_before(name: str) -> None:
    # Writes that the card confirmed and lost: an older lap's blocks among the newer ones.
    journal = recorded(name)
    newest = max(one.block_number for one in journal.put)
    tip = next(one.position for one in journal.put if one.block_number == newest)
    for position in journal.before:
        data = with_blocks(journal, {position: journal.before[position]})
        kept = {one.offset for one in journal.put if one.position != position}
        old = [one for one in journal.past if one.position == position and one.block_number + journal.blocks - 1 in
               {o.block_number for o in frames_at(journal, position)}]  # fmt: skip
        _, frames = check_salvage(data, (*journal.put, *journal.past), kept, journal_id=journal.journal_id)
        assert len(frames) == len(kept) + len(old)
        # At the tip nothing tells that the newest block had been there.
        check_readers(data, damaged=position != tip)


@ALL
def test_blocks_as_never_written(name: str) -> None:
    journal = recorded(name)
    for fill in (FILL, bytes(BLOCK_SIZE)):
        for first in range(1, journal.used):
            for stop in range(first + 1, journal.used + 1):
                data = with_blocks(journal, dict.fromkeys(range(first, stop), fill))
                kept = {one.offset for one in journal.put if not first <= one.position < stop}
                _, frames = check_salvage(data, journal.put, kept)
                assert len(frames) == len(kept)
                # Where the end of a straight journal is gone, or everything, nothing tells how far it went.
                wrapped_rest = bool(journal.before) and stop - first < journal.used - 1
                check_readers(data, damaged=wrapped_rest or stop < journal.used)


@ALL
def test_a_torn_sector_of_two_blocks_of_one_lap(name: str) -> None:
    # A copy that lost a piece: the front of one block, the rear of its neighbour, whose number is one more.
    journal = recorded(name)
    position = journal.used // 2
    new, next_one = journal.block(position), journal.block(position + 1)
    for torn in range(BLOCK_HEADER_SIZE, BLOCK_SIZE):
        data = with_blocks(journal, {position: new[:torn] + next_one[torn:]})
        lo = position * BLOCK_SIZE
        kept = {one.offset for one in journal.put if one.position != position or one.offset + one.size <= lo + torn}
        _, frames = check_salvage(data, journal.put, kept)
        assert len(frames) == len(kept)
        check_readers(data, damaged=True)


def test_the_order_is_that_of_the_numbers_even_where_blocks_were_swapped() -> None:
    journal = recorded("made straight")
    data = with_blocks(journal, {3: journal.block(7), 7: journal.block(3)})
    numbers = [one.block_number for one in salvage(BytesSource(data)).frames()]
    assert numbers == sorted(numbers)
