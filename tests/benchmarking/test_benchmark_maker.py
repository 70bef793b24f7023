"""The journals that measurements are made on are what a logger would write, and the same for the same seed."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pynmea2  # type: ignore[import-untyped]
import pytest
from bench_construct import parse_blocks
from bench_journal import KINDS, make_journal
from bench_layout import many_crc32
from bench_side import Beginning, line_of
from crccheck.crc import Crc32  # type: ignore[import-untyped]
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.registry import chosen_dialects
from offtake.journal.verify import verify

SIZE = 2**20


@pytest.mark.parametrize("kind", KINDS)
def test_verify_calls_it_clean_and_construct_reads_it(tmp_path: Path, kind: str) -> None:
    made = make_journal(tmp_path / "made.jnl", kind, SIZE)
    source = Beginning(made.path, None)
    report = verify(source)
    assert report.clean
    assert not report.findings
    assert not report.oddities
    assert report.last_block == SIZE // 512 - 1 == made.last_block
    data = source.read(512, 100 * 512)
    blocks = parse_blocks(data)
    assert [block.content.value.header.value.block_number for block in blocks] == list(range(1, 101))
    codes = {frame.body.value.head.code for block in blocks for frame in block.content.value.frames}
    assert codes >= ({1, 2, 5, 7, 8, 10, 11, 12} if kind == "sensors" else {1, 2, 5, 7})


def test_several_runs_and_a_journal_that_has_gone_round(tmp_path: Path) -> None:
    made = make_journal(tmp_path / "made.jnl", "text", SIZE, runs=3, laps=1.5)
    report = verify(Beginning(made.path, None))
    assert report.clean
    assert [run.run for run in report.runs] == [2, 3] or [run.run for run in report.runs] == [1, 2, 3]
    assert report.last_block == made.last_block == round((SIZE // 512 - 1) * 1.5)
    assert report.blocks.intact == SIZE // 512 - 1


def test_the_same_for_the_same_seed(tmp_path: Path) -> None:
    sums = []
    for index, seed in enumerate((1, 1, 2)):
        path = tmp_path / f"{index}.jnl"
        make_journal(path, "text", SIZE // 4, seed=seed)
        sums.append(hashlib.sha256(path.read_bytes()).digest())
    assert sums[0] == sums[1] != sums[2]


def test_every_sentence_passes_another_parser(tmp_path: Path) -> None:
    made = make_journal(tmp_path / "made.jnl", "text", SIZE // 4)
    sentences = line_of(Beginning(made.path, None)).decode("ascii").split("\r\n")
    # The last one is cut off where the journal ends.
    parsed = [pynmea2.parse(sentence, check=True) for sentence in sentences[:-1]]
    fixes = [one for one in parsed if one.sentence_type == "GGA"]
    assert len(fixes) > 300
    seconds = [one.timestamp.hour * 3600 + one.timestamp.minute * 60 + one.timestamp.second for one in fixes]
    assert seconds == [13 * 3600 + index // 10 for index in range(len(fixes))]
    assert 29.9 < fixes[0].latitude < 30.1
    assert fixes[0].latitude != fixes[1].latitude
    moved = [one for one in parsed if one.sentence_type == "RMC"]
    assert {one.datestamp.isoformat() for one in moved} == {"2026-05-15"}
    # Place and course agree: the way it goes is the way it says.
    north = (fixes[200].latitude - fixes[100].latitude) * 111_320.0
    east = (fixes[200].longitude - fixes[100].longitude) * 111_320.0 * np.cos(np.radians(30.0))
    assert abs((np.degrees(np.arctan2(east, north)) - moved[150].true_course + 180.0) % 360.0 - 180.0) < 2.0
    assert abs(np.hypot(north, east) / 10.0 * 3600.0 / 1852.0 - moved[150].spd_over_grnd) < 0.1


def test_every_binary_message_is_whole(tmp_path: Path) -> None:
    made = make_journal(tmp_path / "made.jnl", "binary", SIZE // 4)
    line = line_of(Beginning(made.path, None))
    decoder = StreamDecoder(chosen_dialects())
    messages = decoder.feed(line)
    assert {message.state for message in messages} == {"decoded"}
    assert {message.name for message in messages} == {"position_velocity_time", "satellites", "end_of_epoch"}
    sizes = sum(len(message.raw) for message in messages)
    assert len(line) - sizes < 400, "bytes between the messages"


def test_many_checks_at_once_are_crc32() -> None:
    rng = np.random.default_rng(7)
    rows = rng.integers(0, 256, size=(50, 23), dtype=np.uint8)
    seeds = np.zeros(50, dtype=np.uint32)
    assert many_crc32(rows, seeds).tolist() == [Crc32.calc(row.tobytes()) for row in rows]
    whole = many_crc32(rows[:, 9:], many_crc32(rows[:, :9], seeds))
    assert whole.tolist() == many_crc32(rows, seeds).tolist()
