"""Whose journal a source is, and its lap, from windows of blocks: what the blocks one by one say."""

from __future__ import annotations

import random

import pytest
from damage_ways import WAYS, damaged, lose_header, no_header
from journal_maker import JOURNAL_ID, Maker
from offtake.generated.records import BLOCK_SIZE, Raw
from offtake.journal.bulk import window
from offtake.journal.codec import encode_block, encode_frame
from offtake.journal.identity import identify, lap_length
from offtake.journal.source import BytesSource
from scalar_scan import scalar_identify, scalar_lap_length


def check(data: bytes) -> str:
    source = BytesSource(data)
    found = identify(source)
    assert found == scalar_identify(source)
    assert lap_length(source, found) == scalar_lap_length(source, found)
    return found.id_from


@pytest.mark.parametrize("at_once", [1, 6, 4096])
def test_a_journal_without_its_header_is_known_by_its_blocks(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
    rng = random.Random(at_once)
    for seed in range(25):
        way = rng.choice(WAYS)
        assert check(damaged(seed, way, rng.choice((lose_header, no_header)))) in ("blocks", "header")


def spoiled(journal_id: int, number: int) -> bytes:
    """A block whose own check fails and whose first frame's holds."""
    content = encode_frame(Raw.CODE, 0, b"abc", journal_id, number)
    block = encode_block(journal_id, number, 1, 0, content)
    return block[:-1] + bytes([block[-1] ^ 1])


def test_damaged_blocks_are_asked_only_where_none_is_valid() -> None:
    lost = bytes(BLOCK_SIZE)
    proven = b"".join(spoiled(7, number) for number in range(1, 9))
    assert check(lost + proven) == "blocks"
    assert identify(BytesSource(lost + proven)).journal_id == 7
    valid = encode_block(JOURNAL_ID, 9, 1, 0, b"")
    for data in (lost + proven + valid, lost + valid + proven):
        check(data)
        assert identify(BytesSource(data)).journal_id == JOURNAL_ID
    # A block cut short may prove itself, too, and one whose first frame fails proves nothing.
    check(lost + spoiled(5, 1)[:60])
    assert check(lost + spoiled(5, 1)[:20]) == ""
    assert check(lost + b"\xd7" * BLOCK_SIZE) == ""
    assert check(b"") == check(b"\xd7") == check(lost) == ""


@pytest.mark.parametrize("at_once", [100, 4096])
def test_more_ids_than_are_counted(at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file may name as many journals as it has blocks: only so many of the first ones are kept count of."""
    monkeypatch.setattr(window, "WINDOW_BLOCKS", at_once)
    ids = [*range(2000, 800, -1), *[2000] * 3, *[850] * 9, 1999]
    blocks = [encode_block(journal_id, 1, 1, 0, b"") for journal_id in ids]
    assert check(b"".join([bytes(BLOCK_SIZE), *blocks])) == "blocks"
    assert check(b"".join([bytes(BLOCK_SIZE), *(spoiled(journal_id, 1) for journal_id in ids)])) == "blocks"


def test_two_journals_with_as_many_blocks() -> None:
    one, other = Maker(20, 5), Maker(20, 4)
    for maker in (one, other):
        maker.flight(random.Random(1), 10)
    data = bytes(BLOCK_SIZE) + one.used()[BLOCK_SIZE:] + other.used()[BLOCK_SIZE:]
    check(data)
    assert identify(BytesSource(data)).journal_id == 4
