"""Edges that a review of the firmware found, each with the way it went wrong before.

They run on the core compiled for this computer, against the bench's card model.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.cards import Card, constant
from offtake.hostcore import codec
from offtake.hostcore.session import run_core

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench"))
from card_image import JournalImage, make_journal, pieces_in_order

RING_FULL, SETTINGS, CARD = 1, 4, 5
SECOND = 1_000_000_000


def line(count: int, *, seed: int, baud: int = 57_600, start_s: float = 1.0) -> tuple[bytes, np.ndarray]:
    data = random.Random(seed).randbytes(count)
    times = start_s * SECOND + (np.arange(count) + 1) * (10 * SECOND / baud)
    return data, times.astype(np.uint64)


def record(journal: JournalImage, count: int, *, seed: int, card: Card | None = None) -> bytes:
    data, times = line(count, seed=seed)
    end = int(times[-1]) + 3 * SECOND
    run_core(journal.image, times, data, card or Card(busy=constant(2), seed=1), end)
    return data


def spoil(journal: JournalImage, position: int) -> None:
    journal.image[512 * journal.sector(position) + 200] ^= 0x10


def blank(journal: JournalImage, position: int) -> None:
    at = 512 * journal.sector(position)
    journal.image[at : at + 512] = b"\xff" * 512


@pytest.mark.parametrize("refusals", [4, 8, 12, 40])
def test_refused_writes_do_not_stop_the_logger_for_good(tmp_path: Path, refusals: int) -> None:
    # Each new try put another run_start on the shelf, until the shelf was full and nothing was ever recorded again.
    journal = make_journal(tmp_path, blocks=256, size_mib=8)
    data = record(journal, 20_000, seed=1, card=Card(busy=constant(2), seed=1, write_errors=tuple(range(refusals))))
    seen = journal.read()
    assert seen.blocks > 0
    logged = sum(len(part) for part in seen.data.values())
    lost = sum(by_cause.get(RING_FULL, 0) + by_cause.get(CARD, 0) for by_cause in seen.lost.values())
    assert logged + lost == len(data)
    assert pieces_in_order(data, [piece for run in sorted(seen.pieces) for piece in seen.pieces[run]])
    assert all(codes.count(1) == 1 for codes in seen.codes.values())  # one run_start a run


@pytest.mark.parametrize("damaged", [1, 4, 6])
def test_damage_at_a_wrapped_journals_start_does_not_hide_the_newest_lap(tmp_path: Path, damaged: int) -> None:
    # With the first four blocks damaged the lap before looked newest, and the newest blocks were written over.
    journal = make_journal(tmp_path, blocks=40, size_mib=8, when_full=1)
    record(journal, 24_000, seed=2)
    seen = journal.read()
    newest = max(codec.check_block(journal.block(p))[1].block_number for p in range(1, 40))
    assert newest > 39 + damaged
    for position in range(1, 1 + damaged):
        spoil(journal, position)
    before = {p: journal.block(p) for p in range(1, 40)}
    record(journal, 300, seed=3)
    tip = 1 + (newest - 1) % 39
    assert all(journal.block(p) == before[p] for p in range(1, tip + 1))
    after = codec.check_block(journal.block(tip + 1))[1]
    assert (after.block_number, after.run_number) == (newest + 1, 2)
    assert seen.bad_positions == []


def test_a_damaged_block_behind_a_blank_one_is_left_alone(tmp_path: Path) -> None:
    # The first blank place was taken for the end, and what lay behind it was written over.
    journal = make_journal(tmp_path, blocks=256, size_mib=8)
    record(journal, 6_000, seed=4)
    last = journal.read().blocks
    blank(journal, last - 1)
    spoil(journal, last)
    before = journal.block(last)
    data = record(journal, 2_000, seed=5)
    assert journal.block(last) == before
    assert bytes(journal.read().data[2]) == data


@pytest.mark.parametrize("hole", [1, 5, 15, 40])
def test_blocks_beyond_a_hole_are_found(tmp_path: Path, hole: int) -> None:
    journal = make_journal(tmp_path, blocks=512, size_mib=8)
    record(journal, 60_000, seed=6)
    last = journal.read().blocks
    for position in range(20, 20 + hole):
        blank(journal, position)
    before = {p: journal.block(p) for p in range(1, last + 1)}
    record(journal, 500, seed=7)
    assert all(journal.block(p) == before[p] for p in before)


def test_what_was_heard_at_another_speed_is_counted(tmp_path: Path) -> None:
    # The bytes heard before the journal named another speed were dropped without a word.
    journal = make_journal(tmp_path, blocks=256, size_mib=8, baud=38_400)
    data, times = line(8_000, seed=8, baud=38_400, start_s=0.001)
    run = run_core(journal.image, times, data, Card(busy=constant(2), seed=1), int(times[-1]) + 3 * SECOND)
    seen = journal.read()
    assert seen.lost[1][SETTINGS] > 0
    assert len(seen.data[1]) + seen.lost[1][SETTINGS] + seen.lost[1].get(RING_FULL, 0) == run.delivered == len(data)
