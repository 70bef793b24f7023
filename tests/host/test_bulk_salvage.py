"""Salvage's account and survey are those of the oracle, which goes block by block, whatever is damaged."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest
from counted_source import Counted
from damage_ways import WAYS, damaged, lose_header, nothing, spoil_stretch
from journal_checks import check_account
from offtake.generated.records import BLOCK_SIZE
from offtake.journal import account as account_module
from offtake.journal.bulk import window
from offtake.journal.salvage import salvage
from offtake.journal.source import BytesSource
from offtake.native import OFF
from scalar_salvage import scalar_salvage
from scalar_survey import told

Way = Callable[[bytearray, random.Random], None]


def check(data: bytes) -> None:
    found, expected = salvage(BytesSource(data)), scalar_salvage(BytesSource(data))
    assert found.account == expected.account
    assert told(found.survey()) == told(expected.survey())


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize("seed", range(6))
def test_damage_of_each_kind(way: Way, seed: int) -> None:
    data = damaged(seed, way)
    check(data)
    check_account(salvage(BytesSource(data)))


@pytest.mark.parametrize("seed", range(60))
def test_damage_of_several_kinds_in_small_windows(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = random.Random(1000 + seed)
    monkeypatch.setenv(OFF, rng.choice(("", "1")))
    monkeypatch.setattr(window, "WINDOW_BLOCKS", rng.choice((1, 2, 3, 7, 16)))
    # More extents than are kept, now and then.
    limit = rng.choice((10_000, 10_000, 3))
    monkeypatch.setattr(account_module, "_EXTENTS_MAX", limit)
    check(damaged(1000 + seed, *rng.sample(WAYS, rng.choice((1, 2, 3)))))


@pytest.mark.parametrize("length", [0, 1, 511, 512, 513, 1000, 1024])
def test_files_that_end_early(length: int) -> None:
    for way in (nothing, lose_header, spoil_stretch):
        check(damaged(3, way)[:length])


def test_a_sound_journal_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    # What fits one window is read again for the survey.
    monkeypatch.setattr("offtake.journal.bulk.window.WINDOW_BLOCKS", 5)
    data = damaged(2, nothing)
    source = Counted(data)
    salvage(source).survey()
    assert len(data) <= source.given <= len(data) + BLOCK_SIZE
