"""Pulling from the real firmware: as fast as the line, and byte-identical whatever becomes of the line."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from offtake.bench.board import Bench
from offtake.bench.cards import Card, heavy_tailed, uniform
from offtake.bench.desk import Adapter
from offtake.errors import InputOutputError
from offtake.firmware_build import build
from offtake.generated.records import BLOCK_SIZE
from offtake.link.pull import part_paths, pull_from_desk
from pull_desk import HZ, Recorded, at_the_desk, positions_read, recorded

LINE_BAUD = 1_000_000
LINE_BYTES_S = LINE_BAUD / 10
SHARE_LEAST = 0.85


@pytest.fixture(scope="module")
def elf() -> Path:
    return build("atmega328p_16mhz")


@pytest.fixture(scope="module")
def long_card(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return recorded(tmp_path_factory.mktemp("long"), 400, blocks=2048)


@pytest.fixture(scope="module")
def short_card(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return recorded(tmp_path_factory.mktemp("short"), 12, blocks=64, seed=2)


def seconds_of_data(bench: Bench, since: int) -> float:
    """Chip time from the first byte at the fast speed on, to the end of the last byte."""
    starts = bench.uart_sent["cycle"].astype(np.int64)
    starts = starts[starts > since]
    byte = 10 * HZ // LINE_BAUD
    fast = np.flatnonzero(np.diff(starts) <= byte + 1)
    return float(starts[-1] + byte - starts[fast[0]]) / HZ


@pytest.mark.parametrize(
    ("manners", "name"),
    [
        (Card(seed=4, read=uniform(0.05, 1.0)), "even"),
        (Card(seed=5, read=heavy_tailed(0.2, worst_ms=5.0)), "with a tail"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_a_pull_takes_little_more_time_than_its_bytes_take_the_line(
    elf: Path, long_card: Recorded, tmp_path: Path, manners: Card, name: str
) -> None:
    """It was 0.40 while a sector was read, checked and coded before its first byte was sent."""
    # At most real time, so that what this computer takes to ask counts as it would with a real board.
    adapter = Adapter(traffic_pace=1.0, idle_pace=1.0)
    with at_the_desk(elf, long_card, adapter, manners) as (server, desk):
        with server.held() as bench:
            since = bench.cycle
        result = pull_from_desk(desk, tmp_path / "a.jnl")
        with server.held() as bench:
            seconds = seconds_of_data(bench, since)
    assert desk.baud == LINE_BAUD
    assert (tmp_path / "a.jnl").read_bytes() == long_card.expected
    assert result.size_bytes / seconds / LINE_BYTES_S >= SHARE_LEAST, name


def test_only_the_used_part_is_read_and_each_block_once(elf: Path, long_card: Recorded, tmp_path: Path) -> None:
    with at_the_desk(elf, long_card) as (server, desk):
        with server.held() as bench:
            since = bench.cycle
        pull_from_desk(desk, tmp_path / "a.jnl")
        with server.held() as bench:
            read = positions_read(bench, long_card.journal, since)
    assert np.array_equal(np.unique(read), np.arange(long_card.used))
    # A request that the line lost is answered once, later; nothing is read for it twice.
    assert len(read) == long_card.used


def test_after_a_vanished_port_nothing_verified_is_read_again(elf: Path, long_card: Recorded, tmp_path: Path) -> None:
    target = tmp_path / "a.jnl"
    with (
        pytest.raises(InputOutputError, match="vanished"),
        at_the_desk(elf, long_card, Adapter(vanish_after_bytes=100_000)) as (_, desk),
    ):
        pull_from_desk(desk, target)
    part, _ = part_paths(target)
    kept = len(part.read_bytes()) // BLOCK_SIZE
    # All that had come whole, also of the window that was broken off in its middle, but for what the terminal dropped.
    assert kept >= 100_000 // (BLOCK_SIZE + 16) - 16
    with at_the_desk(elf, long_card) as (server, desk):
        with server.held() as bench:
            since = bench.cycle
        result = pull_from_desk(desk, target)
        with server.held() as bench:
            read = positions_read(bench, long_card.journal, since)
    assert target.read_bytes() == long_card.expected
    assert result.resumed_bytes == kept * BLOCK_SIZE
    # The header comes anew, since it may have been given other settings.
    assert sorted(set(read.tolist())) == [0, *range(kept, long_card.used)]


@pytest.mark.parametrize("seed", [3, 4])
def test_a_line_that_damages_one_byte_in_twenty(elf: Path, short_card: Recorded, tmp_path: Path, seed: int) -> None:
    with at_the_desk(elf, short_card, Adapter(error_rate=0.05, seed=seed)) as (server, desk):
        with server.held() as bench:
            since = bench.cycle
        pull_from_desk(desk, tmp_path / "a.jnl")
        with server.held() as bench:
            seconds = (bench.cycle - since) / HZ
    assert (tmp_path / "a.jnl").read_bytes() == short_card.expected
    assert desk.damaged_packets > 500
    # About 20 s in truth; it was minutes while one request at a time was sent.
    assert seconds < 120


def test_a_port_that_vanishes_again_and_again_on_a_bad_line(elf: Path, short_card: Recorded, tmp_path: Path) -> None:
    target = tmp_path / "a.jnl"
    for attempt in itertools.count():
        adapter = Adapter(error_rate=0.01, seed=attempt, vanish_after_bytes=4_000 if attempt < 3 else None)
        try:
            with at_the_desk(elf, short_card, adapter) as (_, desk):
                pull_from_desk(desk, target)
            break
        except InputOutputError:
            assert attempt < 3
    assert attempt == 3
    assert target.read_bytes() == short_card.expected
