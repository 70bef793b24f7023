"""A journal truncated anywhere: every whole frame before the cut comes back, and nothing else."""

from __future__ import annotations

import random

import pytest
from journal_checks import check_salvage
from journal_maker import Maker
from offtake.generated.records import BLOCK_SIZE

LAST_BLOCKS = 4
RANDOM_CUTS = 10_000


def made(maker: Maker, runs: tuple[int, ...]) -> Maker:
    rng = random.Random(20_260)
    for blocks in runs:
        maker.flight(rng, blocks, end=rng.random() < 0.5)
    return maker


STRAIGHT = made(Maker(64), (9, 14, 8))
WRAPPED = made(Maker(30), (20, 25))


def cut_at(maker: Maker, data: bytes, cut: int) -> None:
    kept = {one.offset for one in maker.put if one.offset + one.size <= cut}
    found = check_salvage(data[:cut], maker.put, kept if cut >= BLOCK_SIZE else None)
    assert found.account.frames == (len(kept) if cut >= BLOCK_SIZE else 0)


@pytest.mark.parametrize("part", range(LAST_BLOCKS))
def test_cut_at_every_offset_of_the_last_blocks(part: int) -> None:
    data = STRAIGHT.used()
    first = len(data) - (LAST_BLOCKS - part) * BLOCK_SIZE
    for cut in range(first, first + BLOCK_SIZE):
        cut_at(STRAIGHT, data, cut)


def test_cut_at_random_offsets_elsewhere() -> None:
    data = STRAIGHT.used()
    rng = random.Random(7)
    for _ in range(RANDOM_CUTS):
        cut_at(STRAIGHT, data, rng.randrange(len(data) - LAST_BLOCKS * BLOCK_SIZE))


def test_wrapped_journal_cut_at_every_third_offset() -> None:
    data = WRAPPED.whole()
    for cut in range(0, len(data), 3):
        cut_at(WRAPPED, data, cut)
