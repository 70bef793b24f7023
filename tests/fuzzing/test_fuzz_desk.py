"""The desk of the real firmware against a hostile computer."""

from __future__ import annotations

from collections.abc import Iterator

import fuzz_bench
import pytest
from fuzz_bench import DeskError, fuzz_desk
from offtake.firmware_build import toolchain_missing

pytestmark = pytest.mark.skipif(bool(toolchain_missing()), reason="there is no AVR toolchain")

SECONDS = 20.0


def test_it_answers_the_next_request_and_writes_only_the_journal() -> None:
    report = fuzz_desk(1, SECONDS)
    assert report.failure == ""
    assert report.seconds >= SECONDS
    assert report.actions >= 20
    assert report.answers > report.actions


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2, 8))
def test_for_minutes(seed: int) -> None:
    assert fuzz_desk(seed, 180.0).failure == ""


def test_the_same_seed_gives_the_same_talk() -> None:
    assert fuzz_desk(7, 4.0) == fuzz_desk(7, 4.0)


@pytest.fixture
def talk() -> Iterator[fuzz_bench._Talk]:
    one = fuzz_bench._Talk(3)
    with one.bench:
        one.reach_desk()
        yield one


def test_a_silent_logger_is_noticed(talk: fuzz_bench._Talk) -> None:
    talk._baud = 9_600  # it listens at another speed, so it cannot answer
    with pytest.raises(DeskError, match="has no answer at 9600 baud"):
        talk._probe()


def test_a_byte_outside_the_journal_is_noticed(talk: fuzz_bench._Talk) -> None:
    talk.judge_card()
    talk._image[talk._sectors[0] * 512 - 1] ^= 1
    with pytest.raises(DeskError, match="outside the journal file"):
        talk.judge_card()


def test_a_block_written_at_the_desk_is_noticed(talk: fuzz_bench._Talk) -> None:
    talk._leave()
    talk._writes_seen = 0  # as if the desk had written what the recording wrote
    with pytest.raises(DeskError, match="was written at the desk"):
        talk._judge_writes()


def test_noise_without_an_end_leaves_room_for_a_request(talk: fuzz_bench._Talk) -> None:
    # Noise that all but filled the ring once left no room for the request after it, which then had no answer.
    for count in (1, 518, 519, 520, 521, *range(840, 880, 3), 2600):
        talk._send(b"\x55" * count)
        talk._probe()
