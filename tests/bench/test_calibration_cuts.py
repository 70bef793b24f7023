"""Power cuts at any cycle: what each damage model does to the image, and that it does the same again."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.board import Bench
from offtake.bench.cards import Card, constant
from offtake.bench.cuts import Cut, CutReport, Damage, random_cut

Builder = Callable[..., Path]
Writes = list[tuple[int, int, int]]
SECTOR = 512
SECTORS = 64


def _image() -> bytearray:
    return bytearray(b"".join(bytes([n]) * SECTOR for n in range(SECTORS)))


def _cut_run(program: Path, damage: Cut, cycle: int) -> tuple[bytearray, CutReport, Writes]:
    image = _image()
    with Bench(program, image=image, card=Card(busy=constant(3.0), seed=2)) as bench:
        assert bench.run_until(cycle).ok
        done = [(int(w["lba"]), int(w["accepted"]), int(w["durable"])) for w in bench.writes]
        report = bench.cut(damage)
    return image, report, done


@pytest.fixture
def writer(avr_program: Builder) -> Path:
    return avr_program("card_writer", STREAM=1, CRC_ON=0, BLOCKS=12, FIRST=8)


@pytest.fixture
def mid_busy(writer: Path) -> int:
    """A cycle at which the sixth block is in busy."""
    with Bench(writer, image=_image(), card=Card(busy=constant(3.0), seed=2)) as bench:
        bench.run_until_blocks(6, limit_ms=3_000)
        return bench.cycle + bench.cycles(1.0)


def _new(n: int) -> bytes:
    return bytes((n + i) % 256 for i in range(SECTOR))


def _sector(image: bytearray, lba: int) -> bytes:
    return bytes(image[lba * SECTOR : (lba + 1) * SECTOR])


@pytest.mark.parametrize("torn_at", [0, 1, 137, 511, 512])
def test_cut_tears_the_block_in_flight(writer: Path, mid_busy: int, torn_at: int) -> None:
    image, report, _ = _cut_run(writer, Cut(Damage.TORN, torn_at=torn_at), mid_busy)
    assert report.in_flight == 13
    assert _sector(image, 13) == _new(5)[:torn_at] + bytes([13]) * (SECTOR - torn_at)
    assert all(_sector(image, 8 + n) == _new(n) for n in range(5))
    assert report.changed == ()


@pytest.mark.parametrize("damage", [Damage.CLEAN, Damage.WHOLE, Damage.GARBAGE])
def test_cut_kinds_for_the_block_in_flight(writer: Path, mid_busy: int, damage: Damage) -> None:
    image, report, _ = _cut_run(writer, Cut(damage), mid_busy)
    old, new, now = bytes([13]) * SECTOR, _new(5), _sector(image, 13)
    assert {Damage.CLEAN: now == old, Damage.WHOLE: now == new, Damage.GARBAGE: now not in (old, new)}[damage]
    assert all(_sector(image, 8 + n) == _new(n) for n in range(5))
    assert report.changed == ()


def test_cut_loses_an_acknowledged_tail_only_when_told(writer: Path, mid_busy: int) -> None:
    image, report, _ = _cut_run(writer, Cut(Damage.LOST_TAIL), mid_busy)
    assert report.changed == ()
    assert all(_sector(image, 8 + n) == _new(n) for n in range(5))
    image, report, _ = _cut_run(writer, Cut(Damage.LOST_TAIL, lost=2), mid_busy)
    assert report.changed == (12, 11)
    assert [_sector(image, 8 + n) == _new(n) for n in range(6)] == [True] * 3 + [False] * 3


def test_cut_reorders_and_harms_neighbours(writer: Path, mid_busy: int) -> None:
    patterns = set()
    for seed in range(12):
        image, report, _ = _cut_run(writer, Cut(Damage.REORDERED, lost=3, seed=seed), mid_busy)
        kept = tuple(_sector(image, 8 + n) == _new(n) for n in range(6))
        assert kept[:2] == (True, True)
        assert {8 + n for n in range(5) if not kept[n]} == set(report.changed)
        patterns.add(kept)
    assert len(patterns) > 4
    image, report, _ = _cut_run(writer, Cut(Damage.NEIGHBOUR, neighbour=-2), mid_busy)
    assert report.changed == (11,)
    assert _sector(image, 11) != _new(3)


def test_cut_at_any_cycle_and_the_same_again(writer: Path) -> None:
    rng = np.random.default_rng(20)
    for _ in range(25):
        cycle = int(rng.integers(0, 2_200_000))
        cut = random_cut(rng)
        (a, report, done), (b, again, _) = (_cut_run(writer, cut, cycle) for _ in range(2))
        assert hashlib.sha256(a).digest() == hashlib.sha256(b).digest()
        assert report == again
        assert cycle <= report.cycle <= cycle + 8, "within one instruction"
        for lba, _, durable in done:
            if durable <= report.cycle and lba not in report.changed:
                assert _sector(a, lba) == _new(lba - 8)


def test_a_new_bench_boots_on_what_the_cut_left(writer: Path, mid_busy: int) -> None:
    image, report, _ = _cut_run(writer, Cut(Damage.GARBAGE), mid_busy)
    with Bench(writer, image=image, eeprom=report.eeprom) as bench:
        bench.run_ms(3_000)
        assert bench.symbol_int("step") == 0xFF
    assert all(_sector(image, 8 + n) == _new(n) for n in range(12))
