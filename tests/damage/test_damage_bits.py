"""Every single bit of whole blocks flipped, and bursts of every length: only what is hit is lost."""

from __future__ import annotations

import random

import pytest
from damage_checks import check_readers, check_salvage
from damage_journals import LONG, NAMES, Recorded, recorded
from offtake.generated.records import BLOCK_SIZE

BITS = 8 * BLOCK_SIZE
# In the short run: the journal's header, and one block of every journal.
ALWAYS = [("made straight", 0), ("made straight", 3), ("core straight", 2), ("made wrapped", 1), ("core wrapped", 6)]
EVERY = [(name, position) for name in NAMES for position in range(14)]


@pytest.mark.parametrize("name", NAMES)
def test_nothing_done_nothing_lost(name: str) -> None:
    journal = recorded(name)
    found, frames = check_salvage(journal.data, journal.put, journal.untouched(0, 0))
    assert check_readers(journal.data, damaged=False).clean
    assert not any(frame.after_damage for frame in frames)
    assert set(found.account.skipped) <= {"fill"}


@pytest.mark.parametrize(("name", "position"), EVERY if LONG else ALWAYS)
def test_every_bit_of_a_block(name: str, position: int) -> None:
    journal = recorded(name)
    if position >= journal.used:
        pytest.skip("a block that was never written")
    for bit in range(BITS):
        at = position * BLOCK_SIZE + bit // 8
        data = bytearray(journal.data)
        data[at] ^= 1 << bit % 8
        kept = journal.untouched(at, at + 1)
        _, frames = check_salvage(bytes(data), journal.put, kept, journal_id=journal.journal_id)
        # One bit cannot leave a frame as it was.
        assert len(frames) == len(kept)
        if LONG or bit % 8 == at % 8:
            check_readers(bytes(data), damaged=True)


@pytest.mark.parametrize("name", NAMES)
def test_a_bit_of_a_block_never_written(name: str) -> None:
    journal = recorded(name)
    for position in range(journal.used, journal.blocks):
        for bit in range(0, BITS, 97):
            data = bytearray(journal.data)
            data[position * BLOCK_SIZE + bit // 8] ^= 1 << bit % 8
            _, frames = check_salvage(bytes(data), journal.put, journal.untouched(0, 0))
            assert len(frames) == len(journal.put)
            check_readers(bytes(data), damaged=True)


@pytest.mark.parametrize("name", NAMES)
def test_bursts_of_every_length(name: str) -> None:
    # Lengths 1 to 600; the start moves by a step that comes to every offset within a block in turn.
    journal = recorded(name)
    rng = random.Random(600)
    span = journal.used * BLOCK_SIZE
    first = 0
    for length in range(1, 601):
        for _ in range(12 if LONG else 1):
            first = (first + 1_031) % (span - length)
            check_burst(journal, first, length, rng)


@pytest.mark.parametrize("length", [1, 17, 491, 512, 600])
@pytest.mark.parametrize("name", ["made wrapped", "core straight"])
def test_bursts_from_every_offset(name: str, length: int) -> None:
    journal = recorded(name)
    rng = random.Random(length)
    for offset in range(0, BLOCK_SIZE, 1 if LONG else 3):
        check_burst(journal, 4 * BLOCK_SIZE + offset, length, rng)


def check_burst(journal: Recorded, first: int, length: int, rng: random.Random) -> None:
    stop = first + length
    what = rng.choice([bytes(length), b"\xff" * length, rng.randbytes(length)])
    data = journal.data[:first] + what + journal.data[stop:]
    if data == journal.data:
        return
    check_salvage(data, (*journal.put, *journal.past), journal.untouched(first, stop), journal_id=journal.journal_id)
    check_readers(data, damaged=not end_of_journal_erased(journal, data))


def end_of_journal_erased(journal: Recorded, data: bytes) -> bool:
    """Whether the last blocks of a straight journal are as if never written: nothing tells that they ever were."""
    blocks = [data[position * BLOCK_SIZE : (position + 1) * BLOCK_SIZE] for position in range(journal.used)]
    same = next(position for position, block in enumerate(blocks) if block != journal.block(position))
    blank = all(block in (bytes(BLOCK_SIZE), b"\xff" * BLOCK_SIZE) for block in blocks[same:])
    return blank and same > 0 and not journal.before
