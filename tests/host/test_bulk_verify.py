"""Verify's whole report is that of the oracle, which goes block by block and frame by frame, whatever is damaged."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from counted_source import Counted
from damage_ways import WAYS, damaged, nothing, reverse
from journal_maker import Maker
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk import window
from offtake.journal.source import BytesSource
from offtake.journal.verify import verify
from offtake.native import OFF
from scalar_verify import scalar_verify

Way = Callable[[bytearray, random.Random], None]


def check(data: bytes) -> None:
    found, expected = verify(BytesSource(data)), scalar_verify(BytesSource(data))
    for one, other in zip(found.findings, expected.findings, strict=False):
        assert one == other
    assert found == expected


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(6))
def test_damage_of_each_kind(way: Way, seed: int) -> None:
    check(damaged(seed, way))


@pytest.mark.parametrize("seed", range(60))
def test_damage_of_several_kinds_in_small_windows(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(seed)
    monkeypatch.setenv(OFF, rng.choice(("", "1")))
    monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 2, 3, 7, 16)))
    check(damaged(seed, *rng.sample(WAYS, rng.choice((1, 2, 3)))))


LOOKS = 40 * 16 * BLOCK_SIZE
"""What the search for a wrapped journal's oldest block may read besides."""


@pytest.mark.parametrize("blocks", [700, 1024, 1900])
def test_a_sound_journal_is_read_once_wrapped_or_not(blocks: int) -> None:
    maker = Maker(1024)
    rng = random.Random(blocks)
    for count in (300, blocks - 300):
        maker.flight(rng, count)
    source = Counted(maker.whole())
    report = verify(source)
    assert report.clean
    assert report.blocks.intact == min(blocks, 1023)
    assert len(maker.whole()) <= source.given <= len(maker.whole()) + LOOKS
    assert report == scalar_verify(BytesSource(maker.whole()))


@pytest.mark.parametrize("seed", range(6))
def test_a_wrapped_journal_damaged_where_it_was_cut_is_read_once_too(seed: int) -> None:
    maker = Maker(1024)
    rng = random.Random(seed)
    maker.flight(rng, 1500)
    data = bytearray(maker.whole())
    newest = maker.position(maker.number)
    spoilt = b"\x55" * BLOCK_SIZE * rng.randrange(1, 12)
    at = (newest - rng.randrange(6)) * BLOCK_SIZE
    data[at : at + len(spoilt)] = spoilt
    source = Counted(bytes(data))
    report = verify(source)
    assert source.given <= len(data) + LOOKS
    assert report == scalar_verify(BytesSource(bytes(data)))
    # One stretch, though the passage began inside it.
    assert [one.reason for one in report.findings].count("bad_magic") == 1


def test_a_journal_in_another_order_is_read_again_but_not_more() -> None:
    data = bytearray(damaged(1, nothing))
    reverse(data, random.Random(1))
    source = Counted(bytes(data))
    verify(source)
    assert source.given <= 3 * len(data) + LOOKS
